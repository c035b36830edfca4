#include "drivers/base/quantity.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <cstdlib>
#include <optional>

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
  int power;  // of ten
};
constexpr std::array kPrefixes{Prefix{"G", 9},  Prefix{"M", 6},  Prefix{"k", 3},  Prefix{"", 0},
                               Prefix{"m", -3}, Prefix{"u", -6}, Prefix{"n", -9}, Prefix{"p", -12}};

std::string_view trimmed(std::string_view text) {
  const auto blank = [](char c) { return c == ' ' || c == '\t'; };
  while (!text.empty() && blank(text.front())) text.remove_prefix(1);
  while (!text.empty() && blank(text.back())) text.remove_suffix(1);
  return text;
}

// Takes one '+' away, which std::from_chars does not know; "+-1" stays and is refused by it.
std::string_view without_plus(std::string_view text) {
  const bool plus = text.size() > 1 && text[0] == '+' && text[1] != '-';
  return plus ? text.substr(1) : text;
}

// The decimal number `digits` times 10^power, rounded once: neither multiplication nor division
// gives the double nearest to "1.1 MHz" and to "1.6 ms" alike.
std::optional<double> scaled(std::string_view digits, int power) {
  std::string text(digits);
  int exponent = 0;
  if (const std::size_t e = text.find_first_of("eE"); e != std::string::npos) {
    const char* begin = text.data() + e + 1;
    if (*begin == '+') ++begin;
    const char* end = text.data() + text.size();
    if (std::from_chars(begin, end, exponent).ec != std::errc()) return std::nullopt;
    text.resize(e);
  }
  // Far outside what a double holds, and safe from overflow of the sum.
  exponent = std::clamp(exponent, -100'000, 100'000) + power;
  text += 'e';
  text += std::to_string(exponent);
  double value = 0;
  const auto failed = std::from_chars(text.data(), text.data() + text.size(), value).ec;
  if (failed != std::errc() || !std::isfinite(value)) return std::nullopt;
  return value;
}

}  // namespace

const char* symbol(Unit unit) { return row(unit).symbol; }

Result<double> parse_quantity(std::string_view text, Unit expected) {
  const Row& wanted = row(expected);
  const auto refused = [&] {
    std::string message = "expected a quantity";
    if (*wanted.symbol != '\0') message += std::string(" in ") + wanted.symbol;
    message += std::string(" such as \"") + wanted.example + "\", found \"" + excerpt(text) + "\"";
    return fail(ErrorKind::bad_input, message);
  };
  std::string_view rest = without_plus(trimmed(text));
  double value = 0;
  const auto [end, failed] = std::from_chars(rest.data(), rest.data() + rest.size(), value);
  if (failed != std::errc() || !std::isfinite(value)) return refused();
  const std::string_view digits = rest.substr(0, static_cast<std::size_t>(end - rest.data()));
  rest.remove_prefix(static_cast<std::size_t>(end - rest.data()));
  const std::string_view unit = trimmed(rest);
  if (unit.empty()) return value;
  if (expected == Unit::one && unit == "%") return value / 100;
  if (unit == wanted.symbol) return value;
  if (wanted.prefixed) {
    for (const Prefix& prefix : kPrefixes) {
      if (unit == std::string(prefix.text) + wanted.symbol) {
        const auto exact = scaled(digits, prefix.power);
        if (!exact) return refused();
        return *exact;
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
  double shown = value;
  if (wanted.prefixed && value != 0) {
    // Rounding to `digits` can carry 999.9996 over to 1000, hence the comparison on rounded values.
    const double carries = 1 - 0.5 * std::pow(10.0, -digits);
    for (const Prefix& each : kPrefixes) {
      const double factor = std::pow(10.0, std::abs(each.power));
      prefix = each.text;
      shown = each.power < 0 ? value * factor : value / factor;
      if (std::fabs(shown) >= carries) break;
    }
  }
  std::array<char, 64> text{};
  const auto [end, failed] = std::to_chars(text.data(), text.data() + text.size(), shown,
                                           std::chars_format::general, digits);
  std::string out(text.data(), failed == std::errc() ? end : text.data());
  if (*wanted.symbol != '\0') out += std::string(" ") + prefix + wanted.symbol;
  return out;
}

Result<double> parse_number(std::string_view text) {
  const std::string_view rest = without_plus(trimmed(text));
  double value = 0;
  const auto [end, failed] = std::from_chars(rest.data(), rest.data() + rest.size(), value);
  if (failed != std::errc() || end != rest.data() + rest.size() || !std::isfinite(value)) {
    return fail(ErrorKind::bad_data, "expected a number, found \"" + excerpt(text) + "\"");
  }
  return value;
}

}  // namespace nightbench
