// Limits of a board type: per quantity a lower and an upper bound, each a constant or a line over
// frequency.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <vector>

#include "drivers/base/error.hpp"
#include "drivers/base/json.hpp"
#include "sequences/record/run.hpp"

namespace nightbench::script {

// A bound that may depend on frequency. Between two corners it is linear in frequency; outside the
// first and last corner there is no bound. A constant bound has one corner without a frequency.
struct Bound {
  struct Corner {
    double frequency_hz = 0;
    double value = 0;
  };
  bool constant = true;
  std::vector<Corner> corners;  // ascending in frequency

  std::optional<double> at(double frequency_hz) const;
};

struct QuantityLimit {
  std::string unit;  // of the reading it judges: "dB", "deg", "Hz", "V", "A"
  std::optional<Bound> lower, upper;
};

using Limits = std::map<std::string, QuantityLimit>;  // by quantity id

// Decodes {"gain_balance": {"lower": "-0.5 dB", "upper": "0.5 dB"}, "image_rejection": {"lower":
// [["10.1 MHz", "35 dB"], ["10.15 MHz", "33 dB"]]}}. `units` gives the unit of each known quantity;
// other quantities are refused by name.
Result<Limits> decode_limits(const json::Node& node, const std::map<std::string, Unit>& units);

// The limit of `quantity` at a frequency, as it goes into the record; empty bounds when none.
record::Limit limit_at(const Limits& limits, const std::string& quantity, double frequency_hz);

}  // namespace nightbench::script
