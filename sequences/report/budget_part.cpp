#include <algorithm>
#include <cmath>
#include <vector>

#include "sequences/report/markup.hpp"
#include "sequences/report/number_text.hpp"
#include "sequences/report/report_parts.hpp"
#include "sequences/report/summary.hpp"

namespace nightbench::report {
namespace {

// The reading of a quantity whose budget is shown.
struct Chosen {
  const record::Reading* reading = nullptr;
  const record::Point* point = nullptr;
};

double variance(const record::Reading& reading) {
  double sum = 0;
  for (const record::Contribution& each : reading.budget) sum += each.u * each.u;
  return sum;
}

// In the order in which the quantities first come; of each the one with the largest U, the first
// such when there are several.
std::vector<Chosen> choose(const record::Run& run) {
  std::vector<Chosen> out;
  for (const record::Point& point : run.points) {
    for (const record::Reading& reading : point.readings) {
      if (reading.budget.empty() || !reading.value) continue;
      const auto same = std::find_if(out.begin(), out.end(), [&](const Chosen& each) {
        return each.reading->quantity == reading.quantity;
      });
      if (same == out.end()) {
        out.push_back({&reading, &point});
      } else if (variance(reading) > variance(*same->reading)) {
        *same = {&reading, &point};
      }
    }
  }
  return out;
}

std::string cell(const std::string& html, const char* kind) {
  return std::string("<td class=\"") + kind + "\">" + html + "</td>";
}

std::string amount(double value, const std::string& unit) {
  const Scale scale = scale_for(unit, value);
  const double shown = value / scale.factor;
  const int decimals = shown > 0 ? std::clamp(1 - static_cast<int>(std::floor(std::log10(shown))), 0, 12) : 0;
  return fixed(shown, decimals) +
         (scale.unit.empty() ? "" : "\u00a0" + typeset(scale.unit));
}

std::string group(const Chosen& each) {
  const record::Reading& reading = *each.reading;
  std::vector<record::Contribution> rows = reading.budget;
  std::stable_sort(rows.begin(), rows.end(),
                   [](const auto& a, const auto& b) { return a.u > b.u; });
  const double total = variance(reading);
  const std::string place = where(*each.point);
  std::string name = escaped(reading.title.empty() ? reading.quantity : reading.title);
  if (reading.expanded_u > 0) name += "<br/>U " + escaped(amount(reading.expanded_u, reading.unit));
  if (reading.low || reading.high) name += "<br/><span class=\"soft\">an interval of its own</span>";
  if (!place.empty()) name += "<br/><span class=\"soft\">" + escaped_prose(place) + "</span>";
  std::string out = "<tbody><tr><th scope=\"rowgroup\" rowspan=\"" + std::to_string(rows.size()) +
                    "\">" + name + "</th>";
  for (std::size_t i = 0; i < rows.size(); ++i) {
    const record::Contribution& row = rows[i];
    if (i != 0) out += "<tr>";
    const double share = total > 0 && std::isfinite(total) ? row.u * row.u / total : 0;
    out += cell(escaped(row.name), "title") + cell(std::string(1, row.type), "u") +
           cell(escaped(std::isfinite(row.u) ? amount(row.u, reading.unit) : "not limited"), "n") +
           cell(share > 0 && share < 0.005 ? "&lt; 1 %" : fixed(100 * share, 0) + " %", "n") +
           "</tr>\n";
  }
  return out + "</tbody>\n";
}

}  // namespace

std::string budget_part(const record::Run& run) {
  const std::vector<Chosen> all = choose(run);
  if (all.empty()) return "";
  std::string out =
      "<h2 id=\"budget\">How each U came about</h2>\n<p class=\"soft lead\">For each quantity the "
      "budget of the point with the largest U among those whose budget was kept. Type A comes from "
      "the readings themselves, type B from the bench file (data sheets, calibration). The share is "
      "that of the variance. U = k u with k = 2, or Student's t where few degrees of freedom ask "
      "for more (JCGM 100:2008, the GUM). Image rejection has an interval of its own, since it is "
      "no linear function near its floor.</p>\n" +
      scrolling("How each U came about") +
      "<table class=\"readings\">\n<thead><tr><th scope=\"col\">Quantity</th><th scope=\"col\">"
      "Contribution</th><th scope=\"col\">Type</th><th scope=\"col\" class=\"n\">u</th>"
      "<th scope=\"col\" class=\"n\">Share</th></tr></thead>\n";
  for (const Chosen& each : all) out += group(each);
  return out + "</table></div>\n";
}

}  // namespace nightbench::report
