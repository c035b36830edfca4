#include "sequences/report/plot_scale.hpp"

#include <algorithm>
#include <cmath>

#include "sequences/report/number_text.hpp"

namespace nightbench::report {
namespace {

double step_for(double span, int wanted) {
  const double rough = span / std::max(wanted, 1);
  const double decade = std::pow(10.0, std::floor(std::log10(rough)));
  for (const double factor : {1.0, 2.0, 2.5, 5.0}) {
    if (factor * decade >= rough * (1 - 1e-9)) return factor * decade;
  }
  return 10 * decade;
}

}  // namespace

void Range::take(double value) {
  if (!std::isfinite(value)) return;
  least = std::min(least, value);
  most = std::max(most, value);
}

Range settled(Range data, const Axis& axis, double room) {
  if (data.empty()) data = {0, 1};
  const double around =
      data.span() > 0 ? data.span() * room : std::max(std::fabs(data.most) * 0.05, 1e-12);
  if (room > 0 || data.span() <= 0) {
    data.least -= around;
    data.most += around;
  }
  if (axis.least && std::isfinite(*axis.least)) data.least = *axis.least;
  if (axis.most && std::isfinite(*axis.most)) data.most = *axis.most;
  if (!(data.most > data.least)) data.most = data.least + 1;
  return data;
}

Ticks ticks_for(const Range& range, const Axis& axis, int wanted) {
  Ticks out;
  if (!axis.names.empty()) {
    const auto last = static_cast<double>(axis.names.size() - 1);
    const double step = std::max(1.0, std::ceil((last + 1) / std::max(wanted, 1)));
    for (double place = 0; place <= last; place += step) {
      if (place >= range.least && place <= range.most) out.ticks.push_back(place);
    }
    return out;
  }
  const Scale scale = scale_for(axis.unit, std::max(std::fabs(range.least), std::fabs(range.most)));
  out.factor = scale.factor;
  out.unit = typeset(scale.unit);
  const double step = step_for(range.span() / scale.factor, wanted);
  out.decimals = std::clamp(-static_cast<int>(std::floor(std::log10(step) + 1e-9)), 0, 9);
  // 2.5 needs one more digit than its power of ten.
  const double scaled = step * std::pow(10.0, out.decimals);
  if (std::fabs(scaled - std::round(scaled)) > 1e-6) ++out.decimals;
  for (const double tick :
       round_ticks(range.least / scale.factor, range.most / scale.factor, wanted)) {
    out.ticks.push_back(tick);
  }
  return out;
}

std::string tick_text(const Axis& axis, const Ticks& ticks, double tick) {
  if (axis.names.empty()) return fixed(tick, ticks.decimals);
  const auto place = static_cast<std::size_t>(std::max(tick, 0.0));
  return place < axis.names.size() ? axis.names[place] : "";
}

std::vector<double> round_ticks(double least, double most, int wanted) {
  if (!std::isfinite(least) || !std::isfinite(most)) return {};
  if (least == most) return {least};
  if (most < least) std::swap(least, most);
  const double step = step_for(most - least, wanted);
  std::vector<double> out;
  const double first = std::ceil(least / step - 1e-9);
  const double last = std::floor(most / step + 1e-9);
  for (double n = first; n <= last && out.size() < 100; ++n) out.push_back(n == 0 ? 0 : n * step);
  return out;
}

}  // namespace nightbench::report
