#include "sequences/script/range.hpp"

#include <cmath>

namespace nightbench::script {
namespace {

constexpr std::size_t kMostValues = 1'000'000;

Unit unit_of(Axis axis) { return axis == Axis::level ? Unit::dbm : Unit::hertz; }

Result<std::vector<double>> listed(const json::Node& list, Unit unit) {
  std::vector<double> values;
  TRY_ASSIGN(const auto elements, list.elements(1));
  for (const json::Node& each : elements) {
    TRY_ASSIGN(const double value, each.quantity(unit));
    values.push_back(value);
  }
  return values;
}

Result<std::vector<double>> spaced(json::Fields& fields, Unit unit) {
  TRY_ASSIGN(const double from, fields.quantity("from", unit));
  TRY_ASSIGN(const double to, fields.quantity("to", unit));
  const auto step = fields.find("step");
  const auto points = fields.find("points");
  bool logarithmic = false;
  if (const auto spacing = fields.find("spacing")) {
    TRY_ASSIGN(const std::size_t choice, spacing->word({"linear", "log"}));
    logarithmic = choice == 1;
    if (logarithmic && !(from > 0 && to > 0)) {
      return spacing->refuse("\"log\" spacing needs \"from\" and \"to\" above zero");
    }
  }
  if (static_cast<bool>(step) == static_cast<bool>(points)) {
    return fields.node().refuse("a range needs either \"points\" or \"step\"");
  }
  std::vector<double> values;
  if (points) {
    TRY_ASSIGN(const long long count, points->integer(1, static_cast<long long>(kMostValues)));
    if (count == 1 && from != to) return points->refuse("one point cannot hold both ends");
    for (long long i = 0; i < count; ++i) {
      const double share = count == 1 ? 0 : static_cast<double>(i) / static_cast<double>(count - 1);
      values.push_back(i + 1 == count ? to
                       : logarithmic  ? from * std::pow(to / from, share)
                                      : from + share * (to - from));
    }
    return values;
  }
  if (logarithmic) return step->refuse("\"step\" goes with linear spacing only");
  TRY_ASSIGN(const double width, step->quantity(unit));
  const double count = std::floor((to - from) / width + 1e-9);
  if (!(width != 0 && count >= 0)) return step->refuse("\"step\" does not lead from \"from\" to \"to\"");
  if (count >= static_cast<double>(kMostValues)) {
    return step->refuse("more than a million values");
  }
  for (long long i = 0; i <= static_cast<long long>(count); ++i) {
    values.push_back(from + static_cast<double>(i) * width);
  }
  if (std::fabs(values.back() - to) > 1e-6 * std::fabs(width)) {
    values.push_back(to);
  } else {
    values.back() = to;  // exactly, not to within rounding
  }
  if (values.size() > kMostValues) return step->refuse("more than a million values");
  return values;
}

}  // namespace

const char* word(Axis axis) {
  switch (axis) {
    case Axis::rf: return "rf";
    case Axis::offset: return "offset";
    case Axis::level: return "level";
  }
  return "rf";
}

Result<Range> decode_range(const json::Node& node) {
  TRY_ASSIGN(auto fields, json::Fields::of(node, "an axis of a sweep"));
  TRY_ASSIGN(const json::Node name, fields.need("axis"));
  TRY_ASSIGN(const std::size_t choice, name.word({"rf", "offset", "level"}));
  Range range;
  range.axis = static_cast<Axis>(choice);
  const Unit unit = unit_of(range.axis);
  if (const auto list = fields.find("list")) {
    TRY_ASSIGN(range.values, listed(*list, unit));
  } else {
    TRY_ASSIGN(range.values, spaced(fields, unit));
  }
  for (const double value : range.values) {
    if (!std::isfinite(value)) return node.refuse("\"from\" and \"to\" are too far apart");
    if (range.axis == Axis::rf && value <= 0) return node.refuse("an RF frequency must be above 0 Hz");
    if (range.axis == Axis::offset && value == 0) {
      return node.refuse("an offset of 0 Hz leaves no IF to measure");
    }
  }
  TRY(fields.finish());
  return range;
}

}  // namespace nightbench::script
