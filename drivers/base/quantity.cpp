#include "drivers/base/quantity.hpp"

#include <array>
#include <charconv>
#include <cmath>
#include <cstdio>

namespace nightbench {
namespace {

struct Row {
  Unit unit;
  const char* symbol;
  bool prefixed;  // whether SI prefixes make sense in front of it
  const char* example;
};

constexpr std::array kRows{
    Row{Unit::hertz, "Hz", true, "10.12 MHz"},  Row{Unit::volt, "V", true, "2.5 V"},
    Row{Unit::ampere, "A", true, "150 mA"},     Row{Unit::ohm, "ohm", true, "1 kohm"},
    Row{Unit::second, "s", true, "20 ms"},      Row{Unit::watt, "W", true, "1 mW"},
    Row{Unit::dbm, "dBm", false, "-40 dBm"},    Row{Unit::db, "dB", false, "0.5 dB"},
    Row{Unit::degree, "deg", false, "1.5 deg"}, Row{Unit::percent, "%", false, "2 %"},
    Row{Unit::ppm, "ppm", false, "1 ppm"},      Row{Unit::celsius, "degC", false, "23 degC"},
    Row{Unit::one, "", false, "3"},
};

const Row& row(Unit unit) {
  for (const Row& each : kRows) {
    if (each.unit == unit) return each;
  }
  return kRows.back();
}

struct Prefix {
  const char* text;
  double factor;
};
constexpr std::array kPrefixes{Prefix{"G", 1e9},  Prefix{"M", 1e6},  Prefix{"k", 1e3},
                               Prefix{"", 1.0},   Prefix{"m", 1e-3}, Prefix{"u", 1e-6},
                               Prefix{"n", 1e-9}, Prefix{"p", 1e-12}};

std::string_view trimmed(std::string_view text) {
  const auto blank = [](char c) { return c == ' ' || c == '\t'; };
  while (!text.empty() && blank(text.front())) text.remove_prefix(1);
  while (!text.empty() && blank(text.back())) text.remove_suffix(1);
  return text;
}

}  // namespace

const char* symbol(Unit unit) { return row(unit).symbol; }

Result<double> parse_quantity(std::string_view text, Unit expected) {
  const Row& wanted = row(expected);
  const auto refused = [&] {
    std::string message = "expected a quantity";
    if (*wanted.symbol != '\0') message += std::string(" in ") + wanted.symbol;
    message += std::string(" such as \"") + wanted.example + "\", found \"" + std::string(text) + "\"";
    return fail(ErrorKind::bad_input, message);
  };
  std::string_view rest = trimmed(text);
  if (!rest.empty() && rest.front() == '+') rest.remove_prefix(1);
  double value = 0;
  const auto [end, failed] = std::from_chars(rest.data(), rest.data() + rest.size(), value);
  if (failed != std::errc() || !std::isfinite(value)) return refused();
  rest.remove_prefix(static_cast<std::size_t>(end - rest.data()));
  const std::string_view unit = trimmed(rest);
  if (unit.empty()) return value;
  if (expected == Unit::one && unit == "%") return value / 100;
  if (unit == wanted.symbol) return value;
  if (wanted.prefixed) {
    for (const Prefix& prefix : kPrefixes) {
      if (unit == std::string(prefix.text) + wanted.symbol) {
        // Division keeps "1.6 ms" at the double nearest to 0.0016, which multiplication may miss.
        return prefix.factor < 1 ? value / std::round(1 / prefix.factor) : value * prefix.factor;
      }
    }
  }
  return refused();
}

std::string shortest(double value) {
  std::array<char, 40> text{};
  const auto [end, failed] = std::to_chars(text.data(), text.data() + text.size(), value);
  return failed == std::errc() ? std::string(text.data(), end) : "?";
}

std::string format(double value, Unit unit, int digits) {
  if (!std::isfinite(value)) return "no value";
  const Row& wanted = row(unit);
  const char* prefix = "";
  double scaled = value;
  if (wanted.prefixed && value != 0) {
    // Rounding to `digits` can carry 999.9996 over to 1000, hence the comparison on rounded values.
    const double size = std::fabs(value);
    const double half = 0.5 * std::pow(10.0, 1 - digits);
    for (const Prefix& each : kPrefixes) {
      prefix = each.text;
      scaled = value / each.factor;
      if (size * (1 + half) >= each.factor) break;
    }
  }
  std::array<char, 64> text{};
  const auto [end, failed] = std::to_chars(text.data(), text.data() + text.size(), scaled,
                                           std::chars_format::general, digits);
  std::string out(text.data(), failed == std::errc() ? end : text.data());
  if (*wanted.symbol != '\0') out += std::string(" ") + prefix + wanted.symbol;
  return out;
}

Result<double> parse_number(std::string_view text) {
  std::string_view rest = trimmed(text);
  if (!rest.empty() && rest.front() == '+') rest.remove_prefix(1);
  double value = 0;
  const auto [end, failed] = std::from_chars(rest.data(), rest.data() + rest.size(), value);
  if (failed != std::errc() || end != rest.data() + rest.size() || !std::isfinite(value)) {
    return fail(ErrorKind::bad_data, "expected a number, found \"" + std::string(text) + "\"");
  }
  return value;
}

}  // namespace nightbench
