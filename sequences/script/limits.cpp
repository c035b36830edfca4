#include "sequences/script/limits.hpp"

namespace nightbench::script {
namespace {

Result<Bound> decode_bound(const json::Node& node, Unit unit) {
  Bound bound;
  if (!node.is_array()) {
    TRY_ASSIGN(const double value, node.quantity(unit));
    bound.corners.push_back({0, value});
    return bound;
  }
  bound.constant = false;
  TRY_ASSIGN(const auto corners, node.elements(2));
  for (const json::Node& corner : corners) {
    TRY_ASSIGN(const auto pair, corner.elements(2));
    if (pair.size() != 2) return corner.wrong("a pair [frequency, bound]");
    TRY_ASSIGN(const double frequency_hz, pair[0].quantity(Unit::hertz));
    TRY_ASSIGN(const double value, pair[1].quantity(unit));
    if (!bound.corners.empty() && frequency_hz <= bound.corners.back().frequency_hz) {
      return pair[0].refuse("the frequencies of a limit line must ascend");
    }
    bound.corners.push_back({frequency_hz, value});
  }
  return bound;
}

}  // namespace

std::optional<double> Bound::at(double frequency_hz) const {
  if (corners.empty()) return std::nullopt;
  if (constant) return corners.front().value;
  if (frequency_hz < corners.front().frequency_hz || frequency_hz > corners.back().frequency_hz) {
    return std::nullopt;
  }
  for (std::size_t i = 1; i < corners.size(); ++i) {
    const Corner& left = corners[i - 1];
    const Corner& right = corners[i];
    if (frequency_hz > right.frequency_hz) continue;
    const double share =
        (frequency_hz - left.frequency_hz) / (right.frequency_hz - left.frequency_hz);
    return left.value + share * (right.value - left.value);
  }
  return corners.back().value;
}

Result<Limits> decode_limits(const json::Node& node, const std::map<std::string, Unit>& units) {
  Limits limits;
  std::vector<std::string> known;
  for (const auto& [quantity, unit] : units) known.push_back(quantity);
  TRY_ASSIGN(const auto members, node.members());
  for (const auto& [quantity, value] : members) {
    const auto unit = units.find(quantity);
    if (unit == units.end()) {
      std::string message = "there is no quantity \"" + quantity + "\" to limit";
      if (const auto close = json::nearest(quantity, known)) {
        message += "; did you mean \"" + *close + "\"?";
      }
      return value.refuse(message);
    }
    TRY_ASSIGN(auto fields, json::Fields::of(value, "a limit"));
    QuantityLimit limit;
    limit.unit = symbol(unit->second);
    if (const auto lower = fields.find("lower")) {
      TRY_ASSIGN(limit.lower, decode_bound(*lower, unit->second));
    }
    if (const auto upper = fields.find("upper")) {
      TRY_ASSIGN(limit.upper, decode_bound(*upper, unit->second));
    }
    TRY(fields.finish());
    if (!limit.lower && !limit.upper) return value.refuse("a limit needs \"lower\" or \"upper\"");
    if (limit.lower && limit.upper && limit.lower->constant && limit.upper->constant &&
        limit.lower->corners[0].value > limit.upper->corners[0].value) {
      return value.refuse("\"lower\" is above \"upper\"");
    }
    limits.emplace(quantity, std::move(limit));
  }
  return limits;
}

record::Limit limit_at(const Limits& limits, const std::string& quantity, double frequency_hz) {
  record::Limit out;
  const auto found = limits.find(quantity);
  if (found == limits.end()) return out;
  if (found->second.lower) out.lower = found->second.lower->at(frequency_hz);
  if (found->second.upper) out.upper = found->second.upper->at(frequency_hz);
  if (out.lower || out.upper) out.name = quantity;
  return out;
}

}  // namespace nightbench::script
