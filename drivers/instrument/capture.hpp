// What a scope has recorded: the converter's codes as they came, and what they mean.
#pragma once

#include <cstddef>
#include <cstdint>
#include <string>
#include <vector>

namespace nightbench::instrument {

enum class SampleFormat : std::uint8_t { int8, uint8, int16, float32 };
std::size_t bytes_per_sample(SampleFormat format);

// v[i] = (code[i] - zero_code) * volts_per_code + offset_v;  t[i] = t0_s + i * dt_s.
struct ChannelCapture {
  int channel = 0;
  std::string bytes;  // codes one after the other, in the byte order of this machine
  SampleFormat format = SampleFormat::int16;
  double volts_per_code = 1;
  double zero_code = 0;
  double offset_v = 0;
  double t0_s = 0;  // of the first sample, from the trigger
  double dt_s = 0;
  // Ends of the converter within the full scale: a code at or beyond them is clipped.
  double lowest_code = 0;
  double highest_code = 0;
  double full_scale_v = 0;  // peak to peak, as read back

  std::size_t points() const { return bytes.size() / bytes_per_sample(format); }
};

struct Capture {
  std::vector<ChannelCapture> channels;  // in the order asked for; all of one acquisition
};

// The codes as numbers, and as volts.
std::vector<double> codes(const ChannelCapture& capture);
std::vector<double> volts(const ChannelCapture& capture);

}  // namespace nightbench::instrument
