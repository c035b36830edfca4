#include "daemon/analyse/display.hpp"

#include <algorithm>
#include <cmath>

#include "sequences/report/number_text.hpp"

namespace nightbench::analyse {

Display display(const Quantity& quantity) {
  if (!quantity.outcome) return {"no reading", "", quantity.unit, ""};
  const reading::Reading& reading = *quantity.outcome;
  if (std::isinf(reading.U)) {
    // "Better than", rounded to the safe side. Image rejection is open above, distortion below.
    const reading::Interval bounds = reading.bounds();
    if (std::isfinite(bounds.low)) {
      return {"> " + report::fixed(std::floor(bounds.low * 10) / 10, 1), "open", quantity.unit, ""};
    }
    if (std::isfinite(bounds.high)) {
      return {"< " + report::fixed(std::ceil(bounds.high * 10) / 10, 1), "open", quantity.unit, ""};
    }
    return {"not limited", "open", "", ""};
  }
  const report::Scale scale =
      report::scale_for(quantity.unit, std::max(std::fabs(reading.value), reading.U));
  const double value = reading.value / scale.factor;
  const double u = reading.U / scale.factor;
  const int decimals = report::decimals_for(value, u, {}, {});
  Display out{report::fixed(value, decimals), report::fixed(u, decimals), scale.unit, ""};
  if (reading.interval) {
    out.interval = report::fixed(reading.interval->low / scale.factor, decimals) + " to " +
                   report::fixed(reading.interval->high / scale.factor, decimals);
  }
  return out;
}

std::string sentence(const Display& display) {
  const std::string unit = display.unit.empty() ? "" : " " + display.unit;
  if (display.u.empty()) return display.value;
  if (display.u == "open") return display.value + unit;
  std::string out = display.value + unit + ", U = " + display.u + unit;
  if (!display.interval.empty()) out += " (" + display.interval + unit + ")";
  return out;
}

std::string wrapped(std::string_view text, std::size_t width, std::string_view indent) {
  std::string out;
  const std::size_t room = width > indent.size() + 8 ? width - indent.size() : 8;
  while (!text.empty()) {
    std::size_t cut = text.size();
    if (cut > room) {
      cut = text.rfind(' ', room);
      if (cut == std::string_view::npos || cut == 0) cut = std::min(text.find(' '), text.size());
    }
    out += std::string(indent) + std::string(text.substr(0, cut)) + "\n";
    text.remove_prefix(std::min(cut + 1, text.size()));
  }
  return out;
}

}  // namespace nightbench::analyse
