// Numbers as text for reports: one prefix and one number of decimals for a value, its U and its
// limits. Independent of the locale; never prints NaN or infinity ("" instead).
#pragma once

#include <optional>
#include <string>
#include <string_view>

namespace nightbench::report {

// `value` with exactly `decimals` (0..12) decimals; no "-0"; scientific from 1e9 on.
std::string fixed(double value, int decimals);

struct Scale {
  double factor = 1;  // shown number = value / factor
  std::string unit;   // with its prefix
};
// The SI prefix for a reading: from its limits, which are the same all over a table, else from the
// value. Units that take no prefix (dB, dBm, deg, %, ppm, ratios) come back as they are.
Scale scale_for(std::string_view unit, const std::optional<double>& value,
                const std::optional<double>& lower = {}, const std::optional<double>& upper = {});

// A unit as documents set it: "deg" as the degree sign, "ohm" as omega, "uV" with the micro sign.
std::string typeset(std::string unit);

// Decimals that show U with two significant digits (GUM 7.2.6), six significant digits of the value
// where U is not known; more, up to three, while a limit would be shown rounded; more while
// rounding moves the value across its limit.
int decimals_for(const std::optional<double>& value, double u, const std::optional<double>& lower,
                 const std::optional<double>& upper);

// A coordinate of a point ("rf_hz"): its title ("RF frequency"), its unit ("Hz") and its value as
// text ("10.12 MHz").
std::string coordinate_title(std::string_view key);
std::string coordinate_unit(std::string_view key);
std::string coordinate_text(std::string_view key, double value);

}  // namespace nightbench::report
