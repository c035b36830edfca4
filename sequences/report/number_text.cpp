#include "sequences/report/number_text.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>

#include "drivers/base/quantity.hpp"

namespace nightbench::report {
namespace {

constexpr int kMostDecimals = 12;

struct Prefix {
  const char* text;
  double factor;
};
constexpr std::array kPrefixes{Prefix{"G", 1e9},  Prefix{"M", 1e6},  Prefix{"k", 1e3},
                               Prefix{"", 1.0},   Prefix{"m", 1e-3}, Prefix{"u", 1e-6},
                               Prefix{"n", 1e-9}, Prefix{"p", 1e-12}};

bool takes_prefix(std::string_view unit) {
  constexpr std::array<std::string_view, 9> kUnits{"Hz", "V", "A", "ohm",   "s",
                                                   "W",  "F", "H", "V/rtHz"};
  return std::find(kUnits.begin(), kUnits.end(), unit) != kUnits.end();
}

// Decimals after which `value` is written exactly, as its shortest text is.
int decimals_of(double value) {
  std::array<char, 400> text{};
  const auto written =
      std::to_chars(text.data(), text.data() + text.size(), value, std::chars_format::fixed);
  const std::string_view digits(text.data(), static_cast<std::size_t>(written.ptr - text.data()));
  const std::size_t dot = digits.find('.');
  return dot == std::string_view::npos ? 0 : static_cast<int>(digits.size() - dot - 1);
}

double rounded(double value, int decimals) {
  const std::string text = fixed(value, decimals);
  double out = 0;
  std::from_chars(text.data(), text.data() + text.size(), out);
  return out;
}

}  // namespace

std::string fixed(double value, int decimals) {
  if (!std::isfinite(value)) return "";
  std::array<char, 64> text{};
  const bool large = std::fabs(value) >= 1e9;
  const auto written =
      std::to_chars(text.data(), text.data() + text.size(), value,
                    large ? std::chars_format::scientific : std::chars_format::fixed,
                    large ? 6 : std::clamp(decimals, 0, kMostDecimals));
  std::string out(text.data(), written.ptr);
  if (out.starts_with('-') && out.find_first_of("123456789") == std::string::npos) out.erase(0, 1);
  return out;
}

Scale scale_for(std::string_view unit, const std::optional<double>& value,
                const std::optional<double>& lower, const std::optional<double>& upper) {
  Scale out{1, std::string(unit)};
  if (!takes_prefix(unit)) return out;
  double size = std::max(std::fabs(lower.value_or(0)), std::fabs(upper.value_or(0)));
  const double value_size = std::fabs(value.value_or(0));
  // A value far from its limits would be hard to read in their prefix.
  if (size == 0 || value_size >= 1e4 * size) size = value_size;
  if (size == 0) return out;
  for (const Prefix& prefix : kPrefixes) {
    out = Scale{prefix.factor, prefix.text + std::string(unit)};
    if (size >= prefix.factor * (1 - 1e-9)) break;
  }
  return out;
}

int decimals_for(const std::optional<double>& value, double u, const std::optional<double>& lower,
                 const std::optional<double>& upper) {
  int decimals = 0;
  if (u > 0 && std::isfinite(u)) {
    const int exponent = static_cast<int>(std::floor(std::log10(u)));
    decimals = 1 - exponent;
    // 0.0996 is 0.10 to two digits, not 0.100.
    if (rounded(u, std::clamp(decimals, 0, kMostDecimals)) >= std::pow(10.0, exponent + 1)) {
      --decimals;
    }
  } else if (value && *value != 0) {
    const int exponent = static_cast<int>(std::floor(std::log10(std::fabs(*value))));
    decimals = std::min(5 - exponent, decimals_of(*value));
  }
  if (!value && u == 0) {
    constexpr int kLimitDecimals = 3;
    for (const auto& limit : {lower, upper}) {
      if (limit) decimals = std::max(decimals, std::min(decimals_of(*limit), kLimitDecimals));
    }
  }
  decimals = std::clamp(decimals, 0, kMostDecimals);
  int wanted = decimals;
  for (const auto& limit : {lower, upper}) {
    if (limit) wanted = std::max(wanted, std::min(decimals_of(*limit), decimals + 1));
  }
  // An interpolated limit line has endless decimals; those are not worth showing.
  const bool plain = (value || u != 0) && (!lower || decimals_of(*lower) <= decimals + 1) &&
                     (!upper || decimals_of(*upper) <= decimals + 1);
  if (plain) decimals = std::min(wanted, kMostDecimals);
  const auto crosses = [&] {
    if (!value) return false;
    const auto side = [](double a, double b) { return (a > b) - (a < b); };
    for (const auto& limit : {lower, upper}) {
      if (limit &&
          side(rounded(*value, decimals), rounded(*limit, decimals)) != side(*value, *limit)) {
        return true;
      }
    }
    return false;
  };
  while (decimals < kMostDecimals && crosses()) ++decimals;
  return decimals;
}

std::string typeset(std::string unit) {
  const auto swap = [&](std::string_view ascii, std::string_view sign) {
    const std::size_t at = unit.find(ascii);
    if (at != std::string::npos) unit.replace(at, ascii.size(), sign);
  };
  if (unit == "deg") return "\u00b0";
  if (unit == "degC") return "\u00b0C";
  swap("ohm", "\u03a9");
  swap("rtHz", "\u221aHz");
  if (unit.size() > 1 && unit.starts_with('u')) unit.replace(0, 1, "\u00b5");
  return unit;
}

std::string coordinate_title(std::string_view key) {
  if (key == "rf_hz") return "RF frequency";
  if (key == "lo_hz") return "LO frequency";
  if (key == "offset_hz") return "RF minus LO";
  if (key == "level_dbm") return "RF level";
  if (key == "harmonic") return "multiple of the LO";
  std::string out(key);
  for (const char* suffix : {"_hz", "_dbm", "_db", "_v", "_s", "_deg"}) {
    if (out.ends_with(suffix)) {
      out.resize(out.size() - std::string_view(suffix).size());
      break;
    }
  }
  std::replace(out.begin(), out.end(), '_', ' ');
  return out;
}

std::string coordinate_unit(std::string_view key) {
  if (key.ends_with("_hz")) return "Hz";
  if (key.ends_with("_dbm")) return "dBm";
  if (key.ends_with("_db")) return "dB";
  if (key.ends_with("_deg")) return "deg";
  if (key.ends_with("_v")) return "V";
  if (key.ends_with("_s")) return "s";
  return "";
}

std::string coordinate_text(std::string_view key, double value) {
  if (!std::isfinite(value)) return "not known";
  const std::string unit = coordinate_unit(key);
  const Scale scale = scale_for(unit, value);
  std::array<char, 64> text{};
  const auto written = std::to_chars(text.data(), text.data() + text.size(), value / scale.factor,
                                     std::chars_format::general, 9);
  std::string out(text.data(), written.ptr);
  if (key == "offset_hz" && value > 0) out.insert(0, 1, '+');
  return scale.unit.empty() ? out : out + " " + scale.unit;
}

}  // namespace nightbench::report
