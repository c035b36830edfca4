// SigMF recordings (SigMF specification 1.2): `name.sigmf-meta` (JSON) beside `name.sigmf-data`.
//
// Read: datatypes rX and cX with X = f32_le, f64_le, i16_le, i8, u8; one capture segment;
// core:num_channels interleaved channels. Refused although the specification knows them: other
// datatypes, archives and collections, several segments, header and trailing bytes, a data file of
// another name, extensions that are not optional. Integer samples are codes of a converter whose
// ends are those of the type; unsigned codes have their zero in the middle.
// Written: volts as rf32_le or cf32_le, with core:sha512.
#pragma once

#include <cstdint>
#include <filesystem>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/base/clock.hpp"
#include "drivers/base/error.hpp"
#include "sequences/capture/capture.hpp"

namespace nightbench::capture {

enum class Number : std::uint8_t { int8, uint8, int16, float32, float64 };

struct SigmfMeta {
  std::string datatype;  // "cf32_le"
  Number number = Number::float32;
  bool complex = true;
  std::size_t num_channels = 1;
  std::optional<double> rate_hz;
  std::optional<std::string> sha512;  // lower case
  std::string description;
  std::string datetime;
  std::optional<double> centre_hz;
  std::uint64_t first_sample = 0;  // of the segment, from the start of the data file
  // The sample after the last one that the file speaks of; the data must reach so far.
  std::uint64_t claimed_samples = 0;
  std::string claim;  // JSON pointer of the annotation or segment that claims it

  std::size_t components() const { return num_channels * (complex ? 2 : 1); }
};

// The text of a .sigmf-meta file; `name` stands for the file in messages.
Result<SigmfMeta> decode_sigmf_meta(std::string_view text, std::string name);

// `path`: either file of the recording, or the stem.
Result<Capture> read_sigmf(const std::filesystem::path& path, const ReadOptions& options = {});

struct SigmfContent {
  std::vector<signal::Trace> channels;  // of one length and interval; volts are written
  bool complex = false;                 // cf32_le: exactly two channels, I and Q
  std::string description;
  std::string recorder;  // core:recorder, what wrote it; left out when empty
  std::optional<double> centre_hz;
  std::optional<WallTime> started;  // of the first sample
};

// Writes both files (a stem with either ending is taken as the stem) and returns the path of the
// meta file. Both are complete on the disk before the first takes its place; a stop between the two
// leaves a pair whose hash disagrees, which the reader reports. Refuses samples that are not
// finite.
Result<std::filesystem::path> write_sigmf(const std::filesystem::path& stem,
                                          const SigmfContent& content);

}  // namespace nightbench::capture
