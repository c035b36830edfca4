#include "drivers/instrument/capture.hpp"

#include <cstring>

namespace nightbench::instrument {
namespace {

template <typename Code>
void append(const std::string& bytes, std::vector<double>& out) {
  const std::size_t count = bytes.size() / sizeof(Code);
  out.reserve(count);
  for (std::size_t i = 0; i < count; ++i) {
    Code code;
    std::memcpy(&code, bytes.data() + i * sizeof(Code), sizeof(Code));
    out.push_back(static_cast<double>(code));
  }
}

}  // namespace

std::size_t bytes_per_sample(SampleFormat format) {
  switch (format) {
    case SampleFormat::int8:
    case SampleFormat::uint8:
      return 1;
    case SampleFormat::int16:
      return 2;
    case SampleFormat::float32:
      return 4;
  }
  return 1;
}

std::vector<double> codes(const ChannelCapture& capture) {
  std::vector<double> out;
  switch (capture.format) {
    case SampleFormat::int8:
      append<std::int8_t>(capture.bytes, out);
      break;
    case SampleFormat::uint8:
      append<std::uint8_t>(capture.bytes, out);
      break;
    case SampleFormat::int16:
      append<std::int16_t>(capture.bytes, out);
      break;
    case SampleFormat::float32:
      append<float>(capture.bytes, out);
      break;
  }
  return out;
}

std::vector<double> volts(const ChannelCapture& capture) {
  std::vector<double> out = codes(capture);
  for (double& value : out) {
    value = (value - capture.zero_code) * capture.volts_per_code + capture.offset_v;
  }
  return out;
}

}  // namespace nightbench::instrument
