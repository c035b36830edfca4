#include "drivers/scpi/text.hpp"

#include <array>
#include <cctype>
#include <charconv>
#include <cmath>
#include <cstdio>

namespace nightbench::scpi {
namespace {

constexpr double kInfinite = 9.9e37;
constexpr double kNotANumber = 9.91e37;
constexpr std::size_t kMostChannels = 1000;

std::string upper(std::string_view text) {
  std::string out(text);
  for (char& c : out) c = static_cast<char>(std::toupper(static_cast<unsigned char>(c)));
  return out;
}

std::unexpected<Error> wrong(const std::string& expected, std::string_view found) {
  return fail(ErrorKind::bad_data, "expected " + expected + ", found '" + shown(found) + "'");
}

// A decimal number at the start of `text` (after blanks were taken off); `used` says how much it
// was. Plain from_chars, without its own words for infinity and NaN, and with a leading '+'.
bool decimal_at(std::string_view text, double& value, std::size_t& used) {
  std::size_t start = 0;
  if (!text.empty() && text[0] == '+') start = 1;
  const std::size_t digit = start + (start < text.size() && text[start] == '-' ? 1 : 0);
  if (start == 1 && digit == 2) return false;  // "+-1"
  if (digit >= text.size() ||
      (std::isdigit(static_cast<unsigned char>(text[digit])) == 0 && text[digit] != '.')) {
    return false;
  }
  const auto [end, failed] = std::from_chars(text.data() + start, text.data() + text.size(), value);
  if (failed == std::errc::result_out_of_range) {
    // Exponents may be as large as 32000 (IEEE 488.2, 7.7.2.4.1): such a value is 0 or infinite.
    const std::size_t e = text.find_first_of("eE", digit);
    const bool small = e != std::string_view::npos && e + 1 < text.size() && text[e + 1] == '-';
    value = small ? 0.0 : HUGE_VAL;
    if (text[start] == '-') value = -value;
  } else if (failed != std::errc()) {
    return false;
  }
  used = static_cast<std::size_t>(end - text.data());
  return true;
}

Number classified(double value) {
  Number out;
  // The written values come back with few digits, "9.91E+37" or "9.9100000E37": compare loosely.
  if (std::fabs(value - kNotANumber) < 1e-4 * kNotANumber) {
    out.kind = Number::Kind::not_a_number;
  } else if (value >= kInfinite * (1 - 1e-6)) {
    out.kind = Number::Kind::overload;
  } else if (value <= -kInfinite * (1 - 1e-6)) {
    out.kind = Number::Kind::negative_overload;
  } else {
    out.value = value;
  }
  return out;
}

Result<Number> read_non_decimal(std::string_view text) {
  int base = 0;
  switch (text.size() > 1 ? std::toupper(static_cast<unsigned char>(text[1])) : 0) {
    case 'H':
      base = 16;
      break;
    case 'Q':
      base = 8;
      break;
    case 'B':
      base = 2;
      break;
    default:
      return wrong("a number", text);
  }
  unsigned long long value = 0;
  const auto [end, failed] =
      std::from_chars(text.data() + 2, text.data() + text.size(), value, base);
  if (failed != std::errc() || end != text.data() + text.size()) return wrong("a number", text);
  Number out;
  out.value = static_cast<double>(value);
  return out;
}

}  // namespace

std::string_view trimmed(std::string_view text) {
  const auto blank = [](char c) { return static_cast<unsigned char>(c) <= ' '; };
  while (!text.empty() && blank(text.front())) text.remove_prefix(1);
  while (!text.empty() && blank(text.back())) text.remove_suffix(1);
  return text;
}

Result<Number> read_number(std::string_view whole) {
  const std::string_view text = trimmed(whole);
  if (text.empty()) return wrong("a number", whole);
  if (text[0] == '#') return read_non_decimal(text);
  double value = 0;
  std::size_t used = 0;
  if (decimal_at(text, value, used)) {
    if (used != text.size()) return wrong("a number", whole);
    return classified(value);
  }
  Number out;
  const std::string word = upper(text);
  if (word == "NAN" || word == "+NAN" || word == "-NAN") {
    out.kind = Number::Kind::not_a_number;
  } else if (word == "INF" || word == "+INF" || word == "INFINITY" || word == "+INFINITY") {
    out.kind = Number::Kind::overload;
  } else if (word == "NINF" || word == "NINFINITY" || word == "-INF" || word == "-INFINITY") {
    out.kind = Number::Kind::negative_overload;
  } else {
    return wrong("a number", whole);
  }
  return out;
}

Result<double> read_value(std::string_view text) {
  TRY_ASSIGN(const Number number, read_number(text));
  switch (number.kind) {
    case Number::Kind::value:
      return number.value;
    case Number::Kind::not_a_number:
      return fail(ErrorKind::bad_data, "the instrument has no value ('" + shown(text) + "')");
    case Number::Kind::overload:
    case Number::Kind::negative_overload:
      return fail(ErrorKind::bad_data,
                  "the instrument reports an overload ('" + shown(text) + "')");
  }
  return fail(ErrorKind::internal, "unknown kind of number");
}

Result<long long> read_integer(std::string_view text) {
  const auto value = read_value(text);
  constexpr double kMost = 9007199254740992.0;  // 2^53: beyond it doubles skip whole numbers
  if (!value || std::fabs(*value) > kMost || *value != std::floor(*value)) {
    return wrong("a whole number", text);
  }
  return static_cast<long long>(*value);
}

Result<bool> read_boolean(std::string_view text) {
  const std::string word = upper(trimmed(text));
  if (word == "ON") return true;
  if (word == "OFF") return false;
  const auto value = read_value(text);
  if (!value) return wrong("0 or 1", text);
  return std::fabs(*value) >= 0.5;
}

Result<std::string> read_string(std::string_view whole) {
  const std::string_view text = trimmed(whole);
  if (text.empty() || (text[0] != '"' && text[0] != '\'')) return std::string(text);
  const char quote = text[0];
  std::string out;
  for (std::size_t i = 1; i < text.size(); ++i) {
    if (text[i] != quote) {
      out += text[i];
    } else if (i + 1 < text.size() && text[i + 1] == quote) {
      out += quote;
      ++i;
    } else if (i + 1 == text.size()) {
      return out;
    } else {
      return wrong("nothing after the closing quote", whole);
    }
  }
  return wrong("a closing quote", whole);
}

Result<std::vector<int>> read_channel_list(std::string_view whole) {
  std::string_view text = trimmed(whole);
  std::vector<int> out;
  if (text.size() < 3 || text.substr(0, 2) != "(@" || text.back() != ')') {
    return wrong("a channel list such as (@1,3:5)", whole);
  }
  text = trimmed(text.substr(2, text.size() - 3));
  if (text.empty()) return out;
  for (const std::string& part : split(text, ',')) {
    const std::vector<std::string> ends = split(part, ':');
    if (ends.size() > 2) return wrong("a channel list such as (@1,3:5)", whole);
    std::array<int, 2> range{};
    for (std::size_t i = 0; i < 2; ++i) {
      const std::string& end = ends[i < ends.size() ? i : 0];
      const auto [stop, failed] = std::from_chars(end.data(), end.data() + end.size(), range[i]);
      if (failed != std::errc() || stop != end.data() + end.size() || range[i] < 0) {
        return wrong("a channel list such as (@1,3:5)", whole);
      }
    }
    const int step = range[1] >= range[0] ? 1 : -1;
    for (int channel = range[0];; channel += step) {
      if (out.size() >= kMostChannels) return wrong("at most 1000 channels", whole);
      out.push_back(channel);
      if (channel == range[1]) break;
    }
  }
  return out;
}

std::vector<std::string> split(std::string_view text, char separator, std::size_t most) {
  std::vector<std::string> out;
  char quote = '\0';
  int depth = 0;
  std::size_t start = 0;
  for (std::size_t i = 0; i < text.size(); ++i) {
    const char c = text[i];
    if (quote != '\0') {
      if (c == quote) quote = '\0';  // a doubled quote opens again at once
      continue;
    }
    if (c == '"' || c == '\'') quote = c;
    if (c == '(') ++depth;
    if (c == ')' && depth > 0) --depth;
    if (c == separator && depth == 0 && out.size() < most) {
      out.emplace_back(trimmed(text.substr(start, i - start)));
      start = i + 1;
    }
  }
  out.emplace_back(trimmed(text.substr(start)));
  return out;
}

std::string write_number(double value) {
  if (std::isnan(value)) return "9.91E37";
  if (std::isinf(value)) return value > 0 ? "9.9E37" : "-9.9E37";
  if (value == 0) return "0";  // never "-0", which some parsers refuse
  // Plain digits where they are few: some parsers know no exponents.
  constexpr double kLeastPlain = 1e-4;
  constexpr double kMostPlain = 1e12;
  const double size = std::fabs(value);
  if (size >= kLeastPlain && size < kMostPlain) {
    std::array<char, 40> text{};
    const auto [end, failed] =
        std::to_chars(text.data(), text.data() + text.size(), value, std::chars_format::fixed);
    if (failed == std::errc()) return std::string(text.data(), end);
  }
  std::string out = shortest(value);
  for (char& c : out) {
    if (c == 'e') c = 'E';
  }
  return out;
}

std::string write_string(std::string_view text) {
  std::string out = "\"";
  for (const char c : text) {
    if (c == '"') out += '"';
    out += c;
  }
  out += '"';
  return out;
}

std::string write_channel_list(const std::vector<int>& list) {
  std::string out = "(@";
  for (std::size_t i = 0; i < list.size(); ++i) {
    if (i != 0) out += ',';
    out += std::to_string(list[i]);
  }
  out += ')';
  return out;
}

namespace {

struct Suffix {
  const char* text;
  double factor;
};
// IEEE 488.2, table 7-2 (from memory). Longer ones first, so that MA is not read as M.
constexpr std::array kMultipliers{Suffix{"EX", 1e18}, Suffix{"PE", 1e15}, Suffix{"MA", 1e6},
                                  Suffix{"T", 1e12},  Suffix{"G", 1e9},   Suffix{"K", 1e3},
                                  Suffix{"M", 1e-3},  Suffix{"U", 1e-6},  Suffix{"N", 1e-9},
                                  Suffix{"P", 1e-12}, Suffix{"F", 1e-15}, Suffix{"A", 1e-18}};

const char* suffix_of(Unit unit) {
  switch (unit) {
    case Unit::hertz:
      return "HZ";
    case Unit::volt:
      return "V";
    case Unit::ampere:
      return "A";
    case Unit::ohm:
      return "OHM";
    case Unit::second:
      return "S";
    case Unit::watt:
      return "W";
    case Unit::dbm:
      return "DBM";
    case Unit::db:
      return "DB";
    case Unit::degree:
      return "DEG";
    case Unit::percent:
      return "PCT";
    case Unit::celsius:
      return "CEL";
    case Unit::ppm:
      return "PPM";
    case Unit::one:
      return "";
  }
  return "";
}

std::unexpected<Error> wrong_suffix(int number, const std::string& expected,
                                    std::string_view found) {
  Error error;
  error.kind = ErrorKind::bad_data;
  error.number = number;
  error.message = "expected " + expected + ", found '" + shown(found) + "'";
  return fail(std::move(error));
}

}  // namespace

Result<double> read_with_suffix(std::string_view whole, Unit unit) {
  const std::string_view text = trimmed(whole);
  double value = 0;
  std::size_t used = 0;
  if (!decimal_at(text, value, used) || std::isinf(value)) return wrong("a number", whole);
  const std::string suffix = upper(trimmed(text.substr(used)));
  if (suffix.empty()) return value;
  const std::string wanted = suffix_of(unit);
  if (wanted.empty()) return wrong_suffix(-138, "no suffix", whole);
  if (suffix == wanted) return value;
  const bool linear = unit != Unit::dbm && unit != Unit::db && unit != Unit::percent;
  if (linear && suffix.ends_with(wanted)) {
    const std::string_view multiplier =
        std::string_view(suffix).substr(0, suffix.size() - wanted.size());
    if (multiplier == "M" && (unit == Unit::hertz || unit == Unit::ohm)) return value * 1e6;
    for (const Suffix& each : kMultipliers) {
      if (multiplier == each.text) {
        return each.factor < 1 ? value / std::round(1 / each.factor) : value * each.factor;
      }
    }
  }
  return wrong_suffix(-131, "the suffix " + wanted, whole);
}

std::string shown(std::string_view bytes, std::size_t most) {
  std::string out;
  for (std::size_t i = 0; i < bytes.size() && i < most; ++i) {
    const auto c = static_cast<unsigned char>(bytes[i]);
    if (c == '\n') {
      out += "\\n";
    } else if (c == '\r') {
      out += "\\r";
    } else if (c < ' ' || c > '~') {
      char text[8];
      std::snprintf(text, sizeof text, "\\x%02X", c);
      out += text;
    } else {
      out += static_cast<char>(c);
    }
  }
  if (bytes.size() > most) out += "...";
  return out;
}

}  // namespace nightbench::scpi
