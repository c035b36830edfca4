// This board beside another: a known good one, or itself before the repair.
#include <algorithm>
#include <cmath>
#include <map>

#include "sequences/report/markup.hpp"
#include "sequences/report/number_text.hpp"
#include "sequences/report/report_parts.hpp"
#include "sequences/report/summary.hpp"

namespace nightbench::report {
namespace {

using record::Point;
using record::Reading;

// Coordinates that were asked for, to a millihertz: the same place in two runs.
std::string place_of(const Point& point) {
  std::string out = point.label;
  for (const auto& [key, value] : point.at) {
    if (key == "repeat") continue;
    out += "|" + key + "=" + std::to_string(std::llround(value * 1e3));
  }
  return out;
}

struct Beside {
  const Point* point = nullptr;
  const Reading* here = nullptr;
  const Reading* there = nullptr;
  double difference = 0, u = 0;
  // How far apart in terms of U; a reading that is missing on one side only is further than any.
  double distance = 0;
};

Beside compare(const Point& point, const Reading& here, const Reading& there) {
  Beside out{&point, &here, &there, 0, 0, 0};
  if (here.value && there.value) {
    out.difference = *here.value - *there.value;
    if (here.unit == "deg") out.difference = std::remainder(out.difference, 360.0);
    out.u = std::hypot(here.expanded_u, there.expanded_u);
    out.distance = std::fabs(out.difference) / std::max(out.u, 1e-30);
  } else if (here.value.has_value() != there.value.has_value()) {
    out.distance = HUGE_VAL;
  } else {
    out.distance = -1;
  }
  return out;
}

// Where each quantity of a step is furthest from the baseline, in the order of the run.
std::vector<Beside> furthest(const record::Run& run, const record::Run& baseline) {
  std::map<std::pair<std::string, std::string>, const Reading*> there;
  for (const Point& point : baseline.points) {
    for (const Reading& reading : point.readings) {
      there[{place_of(point), reading.quantity}] = &reading;
    }
  }
  std::vector<Beside> out;
  std::map<std::pair<std::string, std::string>, std::size_t> known;
  for (const Point& point : run.points) {
    for (const Reading& reading : point.readings) {
      const auto found = there.find({place_of(point), reading.quantity});
      if (found == there.end()) continue;
      const Beside one = compare(point, reading, *found->second);
      const auto [where, fresh] = known.try_emplace({point.label, reading.quantity}, out.size());
      if (fresh) out.push_back(one);
      else if (one.distance > out[where->second].distance) out[where->second] = one;
    }
  }
  return out;
}

std::string value_text(const Reading& reading) {
  return reading.value ? shown(reading).full : "no reading: " + reading.reason;
}

std::string difference_text(const Beside& one) {
  if (!one.here->value || !one.there->value) return "";
  Reading difference;
  difference.unit = one.here->unit;
  difference.value = one.difference;
  difference.expanded_u = one.u;
  return shown(difference).full;
}

std::string mark(const Beside& one) {
  if (one.distance < 0) return "<span class=\"mark none\">no reading</span>";
  return one.distance > 1 ? "<span class=\"mark near\">differs</span>"
                          : "<span class=\"mark none\">alike</span>";
}

}  // namespace

std::string baseline_part(const record::Run& run, const record::Run* baseline) {
  if (baseline == nullptr) return "";
  const record::Header& other = baseline->header;
  std::string out = "<h2 id=\"baseline\">Beside the baseline</h2>\n<p class=\"soft lead\">Board " +
                    escaped(other.board) + ", run " + escaped(other.run_id) + ", " +
                    record::word(record::verdict(*baseline)) +
                    ". Each quantity where the two are furthest apart. They differ when the difference "
                    "is more than its U (root of the sum of squares of both).</p>\n";
  const std::vector<Beside> rows = furthest(run, *baseline);
  if (rows.empty()) {
    return out + "<p>The two runs have no reading at the same place: compare runs of one script.</p>\n";
  }
  out += scrolling("Beside the baseline") +
         "<table>\n<thead><tr><th scope=\"col\">Quantity</th><th scope=\"col\">This board</th>"
         "<th scope=\"col\">Baseline</th><th scope=\"col\">Difference</th><th scope=\"col\"></th>"
         "<th scope=\"col\">Where</th></tr></thead>\n<tbody>\n";
  for (const Beside& one : rows) {
    const std::string title = one.here->title.empty() ? one.here->quantity : one.here->title;
    out += "<tr><th scope=\"row\">" + escaped(title) + "</th><td>" + escaped(value_text(*one.here)) +
           "</td><td>" + escaped(value_text(*one.there)) + "</td><td>" +
           escaped(difference_text(one)) + "</td><td class=\"u\">" + mark(one) +
           "</td><td class=\"place\">" + escaped_prose(where(*one.point)) + "</td></tr>\n";
  }
  return out + "</tbody>\n</table></div>\n";
}

}  // namespace nightbench::report
