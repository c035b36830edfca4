#include "drivers/instrument/preamble.hpp"

#include <algorithm>
#include <bit>
#include <cctype>
#include <cmath>
#include <cstring>
#include <limits>

#include "drivers/scpi/text.hpp"

namespace nightbench::instrument {
namespace {

std::unexpected<Error> senseless(const std::string& field, const std::string& expected,
                                 const std::string& found) {
  return fail(ErrorKind::bad_data, "preamble: expected " + expected + " for " + field +
                                       ", found '" + scpi::shown(found) + "'");
}

// One field at a time, each with the check that fits it.
struct Reader {
  const std::vector<std::string>& fields;
  const std::vector<const char*>& names;

  Result<double> number(std::size_t i) const {
    const auto value = scpi::read_value(fields[i]);
    if (!value || !std::isfinite(*value)) return senseless(names[i], "a number", fields[i]);
    return *value;
  }
  Result<double> positive(std::size_t i) const {
    const auto value = number(i);
    if (!value || *value <= 0) return senseless(names[i], "a positive number", fields[i]);
    return *value;
  }
  Result<std::size_t> points(std::size_t i, std::size_t most) const {
    const auto value = scpi::read_integer(fields[i]);
    if (!value || *value < 1 || static_cast<std::size_t>(*value) > most) {
      return senseless(names[i], "1 to " + std::to_string(most) + " points", fields[i]);
    }
    return static_cast<std::size_t>(*value);
  }
  // One of two words; the result tells whether it is the second.
  Result<bool> either(std::size_t i, const char* first, const char* second) const {
    std::string word = scpi::read_string(fields[i]).value_or(fields[i]);
    for (char& c : word) c = static_cast<char>(std::toupper(static_cast<unsigned char>(c)));
    if (word == first) return false;
    if (word == second) return true;
    return senseless(names[i], std::string(first) + " or " + second, fields[i]);
  }
};

Result<void> ten_fields(const std::vector<std::string>& fields) {
  if (fields.size() == 10) return {};
  return fail(ErrorKind::bad_data,
              "preamble: expected 10 fields, found " + std::to_string(fields.size()));
}

template <typename Word>
void swap_bytes(std::string& bytes) {
  for (std::size_t i = 0; i + sizeof(Word) <= bytes.size(); i += sizeof(Word)) {
    std::reverse(bytes.begin() + static_cast<std::ptrdiff_t>(i),
                 bytes.begin() + static_cast<std::ptrdiff_t>(i + sizeof(Word)));
  }
}

// Unsigned 16-bit codes become signed ones by shifting zero to the middle.
constexpr double kMiddle16 = 32768;
void make_signed(std::string& bytes) {
  for (std::size_t i = 0; i + 2 <= bytes.size(); i += 2) {
    std::uint16_t code;
    std::memcpy(&code, bytes.data() + i, 2);
    code = static_cast<std::uint16_t>(code ^ 0x8000U);
    std::memcpy(bytes.data() + i, &code, 2);
  }
}

Result<void> all_finite(const std::string& bytes) {
  for (std::size_t i = 0; i + sizeof(float) <= bytes.size(); i += sizeof(float)) {
    float value;
    std::memcpy(&value, bytes.data() + i, sizeof value);
    if (!std::isfinite(value)) {
      return fail(ErrorKind::bad_data,
                  "sample " + std::to_string(i / sizeof(float)) + " is not a number");
    }
  }
  return {};
}

void set_ends(ChannelCapture& capture, int bits, double full_scale_v, double centre_v) {
  double least = -std::numeric_limits<double>::max();
  double most = std::numeric_limits<double>::max();
  switch (capture.format) {
    case SampleFormat::int8:
      least = -128, most = 127;
      break;
    case SampleFormat::uint8:
      least = 0, most = 255;
      break;
    case SampleFormat::int16:
      least = -32768, most = 32767;
      break;
    case SampleFormat::float32:
      break;
  }
  const auto code_at = [&capture](double v) {
    return (v - capture.offset_v) / capture.volts_per_code + capture.zero_code;
  };
  const double step = full_scale_v / capture.volts_per_code / std::ldexp(1.0, bits);
  double low = code_at(centre_v - full_scale_v / 2);
  double high = code_at(centre_v + full_scale_v / 2) - step;
  if (capture.format != SampleFormat::float32) {
    // Rounding must not move an end beyond the code that the converter gives there.
    low = std::ceil(low - 1e-6);
    high = std::floor(high + 1e-6);
  }
  capture.lowest_code = std::clamp(low, least, most);
  capture.highest_code = std::clamp(high, least, most);
}

}  // namespace

std::size_t bytes_per_sample(WireFormat format) {
  switch (format) {
    case WireFormat::int8:
    case WireFormat::uint8:
      return 1;
    case WireFormat::int16:
    case WireFormat::uint16:
      return 2;
    case WireFormat::float32:
      return 4;
  }
  return 1;
}

Result<Preamble> waveform_preamble(const std::string& text, const ScopeTraits& traits) {
  static const std::vector<const char*> kNames{
      "format",  "type",       "points",     "count",   "xincrement",
      "xorigin", "xreference", "yincrement", "yorigin", "yreference"};
  const std::vector<std::string> fields = scpi::split(text, ',');
  TRY(ten_fields(fields));
  const Reader read{fields, kNames};
  Preamble out;
  out.format = traits.format;
  out.big_endian = traits.big_endian;
  TRY_ASSIGN(const double format, read.number(0));
  const double wanted = bytes_per_sample(traits.format) == 1 ? 0 : 1;  // BYTE 0, WORD 1
  if (format != wanted) {
    return senseless(kNames[0], wanted == 0 ? "0 (BYTE)" : "1 (WORD)", fields[0]);
  }
  TRY_ASSIGN(out.points, read.points(2, traits.points_most));
  TRY_ASSIGN(out.dt_s, read.positive(4));
  TRY_ASSIGN(const double x_origin, read.number(5));
  TRY_ASSIGN(const double x_reference, read.number(6));
  TRY_ASSIGN(out.volts_per_code, read.positive(7));
  TRY_ASSIGN(const double y_origin, read.number(8));
  TRY_ASSIGN(const double y_reference, read.number(9));
  out.t0_s = x_origin - x_reference * out.dt_s;
  out.zero_code = traits.y_origin_in_counts ? y_reference + y_origin : y_reference;
  out.offset_v = traits.y_origin_in_counts ? 0 : y_origin;
  return out;
}

Result<Preamble> curve_preamble(const std::vector<std::string>& fields, const ScopeTraits& traits) {
  static const std::vector<const char*> kNames{"BYT_NR", "BN_FMT", "BYT_OR", "NR_PT", "XINCR",
                                               "XZERO",  "PT_OFF", "YMULT",  "YOFF",  "YZERO"};
  TRY(ten_fields(fields));
  const Reader read{fields, kNames};
  Preamble out;
  TRY_ASSIGN(const double width, read.number(0));
  if (width != 1 && width != 2) return senseless(kNames[0], "1 or 2", fields[0]);
  TRY_ASSIGN(const bool is_unsigned, read.either(1, "RI", "RP"));
  if (width == 1) {
    out.format = is_unsigned ? WireFormat::uint8 : WireFormat::int8;
  } else {
    out.format = is_unsigned ? WireFormat::uint16 : WireFormat::int16;
  }
  TRY_ASSIGN(out.big_endian, read.either(2, "LSB", "MSB"));
  TRY_ASSIGN(out.points, read.points(3, traits.points_most));
  TRY_ASSIGN(out.dt_s, read.positive(4));
  TRY_ASSIGN(const double x_zero, read.number(5));
  TRY_ASSIGN(const double trigger_index, read.number(6));
  TRY_ASSIGN(out.volts_per_code, read.positive(7));
  TRY_ASSIGN(out.zero_code, read.number(8));
  TRY_ASSIGN(out.offset_v, read.number(9));
  out.t0_s = traits.trigger_in_x_zero ? x_zero : x_zero - trigger_index * out.dt_s;
  return out;
}

Result<ChannelCapture> decode_samples(std::string bytes, const Preamble& preamble, int bits,
                                      double full_scale_v, double centre_v) {
  const std::size_t width = bytes_per_sample(preamble.format);
  if (bytes.size() != preamble.points * width) {
    return fail(ErrorKind::bad_data, "expected " + std::to_string(preamble.points) +
                                         " samples of " + std::to_string(width) + " bytes, found " +
                                         std::to_string(bytes.size()) + " bytes");
  }
  constexpr bool kBigHere = std::endian::native == std::endian::big;
  if (preamble.big_endian != kBigHere) {
    if (width == 2) swap_bytes<std::uint16_t>(bytes);
    if (width == 4) swap_bytes<std::uint32_t>(bytes);
  }
  ChannelCapture out;
  out.zero_code = preamble.zero_code;
  switch (preamble.format) {
    case WireFormat::int8:
      out.format = SampleFormat::int8;
      break;
    case WireFormat::uint8:
      out.format = SampleFormat::uint8;
      break;
    case WireFormat::int16:
      out.format = SampleFormat::int16;
      break;
    case WireFormat::uint16:
      out.format = SampleFormat::int16;
      out.zero_code -= kMiddle16;
      make_signed(bytes);
      break;
    case WireFormat::float32:
      out.format = SampleFormat::float32;
      TRY(all_finite(bytes));
      break;
  }
  out.bytes = std::move(bytes);
  out.volts_per_code = preamble.volts_per_code;
  out.offset_v = preamble.offset_v;
  out.t0_s = preamble.t0_s;
  out.dt_s = preamble.dt_s;
  out.full_scale_v = full_scale_v;
  set_ends(out, bits, full_scale_v, centre_v);
  return out;
}

}  // namespace nightbench::instrument
