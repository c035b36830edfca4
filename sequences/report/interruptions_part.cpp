#include <algorithm>
#include <vector>

#include "sequences/report/markup.hpp"
#include "sequences/report/report_parts.hpp"

namespace nightbench::report {
namespace {

using record::Event;
using record::Point;

constexpr double kLeastPause_s = 60;
constexpr double kTimesUsual = 10;

std::string pause_text(double pause_s) {
  const auto whole = static_cast<long long>(pause_s + 0.5);
  if (whole >= 3600)
    return std::to_string(whole / 3600) + " h " + std::to_string(whole / 60 % 60) + " min";
  if (whole >= 60) return std::to_string(whole / 60) + " min " + std::to_string(whole % 60) + " s";
  return std::to_string(whole) + " s";
}

struct Pause {
  WallTime from, to;
  const Point* before;
  const Point* after;
};

// Stretches without a measurement that are long against the usual time from one point to the next.
std::vector<Pause> pauses_of(const record::Run& run) {
  std::vector<const Point*> points;
  for (const Point& point : run.points) points.push_back(&point);
  std::stable_sort(points.begin(), points.end(),
                   [](const Point* a, const Point* b) { return a->started < b->started; });
  std::vector<double> usual;
  for (std::size_t i = 1; i < points.size(); ++i)
    usual.push_back(seconds(points[i]->started - points[i - 1]->started));
  if (usual.empty()) return {};
  std::nth_element(usual.begin(), usual.begin() + static_cast<std::ptrdiff_t>(usual.size() / 2),
                   usual.end());
  const double least_s = std::max(kLeastPause_s, kTimesUsual * usual[usual.size() / 2]);
  std::vector<Pause> out;
  for (std::size_t i = 1; i < points.size(); ++i) {
    const Point& before = *points[i - 1];
    const Point& after = *points[i];
    if (seconds(after.started - before.finished) < least_s) continue;
    out.push_back({before.finished, after.started, &before, &after});
  }
  return out;
}

std::string said_meanwhile(const record::Run& run, const Pause& pause) {
  std::string out;
  for (const Event& event : run.events) {
    if (event.time < pause.from || event.time > pause.to) continue;
    if (!out.empty()) out += "<br/>";
    out += escaped_prose(event.text);
  }
  return out.empty() ? "<span class=\"soft\">nothing was noted</span>" : out;
}

std::string place_of(const Point& point) {
  return std::to_string(point.ordinal) + (point.label.empty() ? "" : " " + point.label);
}

}  // namespace

std::string interruptions_part(const record::Run& run) {
  const std::vector<Pause> pauses = pauses_of(run);
  const auto repeated = std::count_if(run.points.begin(), run.points.end(),
                                      [](const Point& point) { return point.attempts > 1; });
  std::string out = "<h2 id=\"interruptions\">Interruptions</h2>\n";
  if (pauses.empty()) {
    out += "<p>None: no pause between two points was longer than usual.</p>\n";
  } else {
    out +=
        scrolling("Interruptions") +
        "<table>\n<thead><tr><th scope=\"col\">From</th><th scope=\"col\">To</th><th scope=\"col\" "
        "class=\"n\">Pause</th><th scope=\"col\">Between the points</th><th scope=\"col\">What was "
        "noted</th></tr></thead>\n<tbody>\n";
    for (const Pause& pause : pauses) {
      out += "<tr><td class=\"u\">" + escaped(utc(pause.from)) + "</td><td class=\"u\">" +
             escaped(utc(pause.to)) + "</td><td class=\"n\">" +
             pause_text(seconds(pause.to - pause.from)) + "</td><td>" +
             escaped(place_of(*pause.before) + " and " + place_of(*pause.after)) + "</td><td>" +
             said_meanwhile(run, pause) + "</td></tr>\n";
    }
    out += "</tbody>\n</table></div>\n";
  }
  if (run.outcome != record::Outcome::complete) {
    out += "<p>The run did not come to its end: " + std::string(record::word(run.outcome)) +
           (run.outcome_text.empty() ? "" : ", " + escaped_prose(run.outcome_text)) + ".</p>\n";
  }
  if (repeated > 0) {
    out += "<p>Measured more than once before the reading stood: " + std::to_string(repeated) +
           " of " + std::to_string(run.points.size()) +
           " points; the table of readings says which.</p>\n";
  }
  return out;
}

}  // namespace nightbench::report
