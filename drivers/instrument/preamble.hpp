// What a scope says about a record before it sends the samples. Pure: text in, numbers out.
#pragma once

#include <cstddef>
#include <string>
#include <vector>

#include "drivers/instrument/capture.hpp"
#include "drivers/instrument/dialect.hpp"

namespace nightbench::instrument {

// v = (code - zero_code) * volts_per_code + offset_v, t[i] = t0_s + i * dt_s.
struct Preamble {
  WireFormat format = WireFormat::int16;
  bool big_endian = false;
  std::size_t points = 0;
  double dt_s = 0;
  double t0_s = 0;
  double volts_per_code = 1;
  double zero_code = 0;
  double offset_v = 0;
};

std::size_t bytes_per_sample(WireFormat format);

// The ten fields of the WAVeform family, separated by commas: format, type, points, count,
// xincrement, xorigin, xreference, yincrement, yorigin, yreference. Sample format and byte order
// are the dialect's. Errors: bad_data when a field is missing, is no number or makes no sense.
Result<Preamble> waveform_preamble(const std::string& text, const ScopeTraits& traits);

// The ten fields of the CURVe family: BYT_NR, BN_FMT, BYT_OR, NR_PT, XINCR, XZERO, PT_OFF, YMULT,
// YOFF, YZERO. Errors: as above.
Result<Preamble> curve_preamble(const std::vector<std::string>& fields, const ScopeTraits& traits);

// Samples as they came -> codes in this machine's byte order with their meaning. `full_scale_v` and
// `centre_v` are the range's, for the end codes of a converter of `bits` bits.
// Errors: bad_data when the bytes are not `points` samples, or hold values that are no numbers.
Result<ChannelCapture> decode_samples(std::string bytes, const Preamble& preamble, int bits,
                                      double full_scale_v, double centre_v);

}  // namespace nightbench::instrument
