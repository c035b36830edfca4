#include <algorithm>
#include <cmath>
#include <map>
#include <tuple>

#include "sequences/report/markup.hpp"
#include "sequences/report/number_text.hpp"
#include "sequences/report/report_parts.hpp"
#include "sequences/report/summary.hpp"
#include "sequences/report/svg_plot.hpp"

namespace nightbench::report {
namespace {

using record::Point;
using record::Reading;

constexpr double kLeastSpan_s = 1800;
constexpr std::size_t kLeastRepeats = 3;
constexpr std::size_t kMostCurves = 4;  // more cannot be told apart at a glance

// One quantity at one place, over time.
struct Course {
  std::string place;
  std::string title, unit;
  std::vector<std::pair<const Point*, const Reading*>> readings;  // by time
  const Reading* least = nullptr;
  const Reading* most = nullptr;
  double moved() const { return *most->value - *least->value; }
};

double hours(const record::Run& run, const Point& point) {
  return std::chrono::duration<double, std::ratio<3600>>(point.started - run.header.started)
      .count();
}

// The courses of a quantity, the one that moved most first.
std::vector<Course> courses_of(const record::Run& run, std::string_view quantity) {
  using Place = std::tuple<std::string, double, double, double>;
  std::map<Place, Course> places;
  for (const Point& point : run.points) {
    const auto at = [&](const char* key) {
      const auto found = point.at.find(key);
      // Differences of large numbers differ in the last digits.
      return found == point.at.end() || !std::isfinite(found->second)
                 ? 0.0
                 : std::round(found->second * 1e3) / 1e3;
    };
    for (const Reading& reading : point.readings) {
      if (reading.quantity != quantity) continue;
      Course& course = places[{point.label, at("rf_hz"), at("offset_hz"), at("level_dbm")}];
      course.readings.emplace_back(&point, &reading);
    }
  }
  std::vector<Course> out;
  for (auto& [key, course] : places) {
    auto& all = course.readings;
    std::stable_sort(all.begin(), all.end(), [](const auto& a, const auto& b) {
      return a.first->started < b.first->started;
    });
    std::size_t values = 0;
    for (const auto& [point, reading] : all) {
      if (!reading->value || !std::isfinite(*reading->value)) continue;
      ++values;
      if (course.least == nullptr || *reading->value < *course.least->value) course.least = reading;
      if (course.most == nullptr || *reading->value > *course.most->value) course.most = reading;
    }
    const double span_s = seconds(all.back().first->started - all.front().first->started);
    if (values < kLeastRepeats || span_s < kLeastSpan_s) continue;
    Point place = *all.front().first;
    place.at.erase("repeat");
    course.place = where(place);
    course.title = all.front().second->title;
    course.unit = all.front().second->unit;
    out.push_back(std::move(course));
  }
  std::stable_sort(out.begin(), out.end(),
                   [](const Course& a, const Course& b) { return a.moved() > b.moved(); });
  return out;
}

Plot plot_of(const record::Run& run, const std::vector<Course>& courses, const std::string& id) {
  Plot plot;
  plot.title = courses.front().title;
  plot.description =
      plot.title + " over the time since the run began, at the places where it moved most.";
  plot.x = Axis{"Time since the start", "h", {}, {}};
  plot.y = Axis{plot.title, courses.front().unit, {}, {}};
  plot.width = 560;
  plot.height = 280;
  plot.id = id;
  plot.values = true;
  for (std::size_t i = 0; i < courses.size() && i < kMostCurves; ++i) {
    Series& series = plot.series.emplace_back();
    series.name = courses[i].place;
    for (const auto& [point, reading] : courses[i].readings) {
      PlotPoint& drawn = series.points.emplace_back();
      drawn.x = hours(run, *point);
      drawn.note = utc(point->started) + ", " + courses[i].place + ": " + shown(*reading).full;
      drawn.outside = reading->decision == record::Decision::fail ||
                      reading->decision == record::Decision::conditional_fail;
      if (!reading->value) continue;
      drawn.y = reading->value;
      if (std::isfinite(reading->expanded_u) && reading->expanded_u > 0) {
        drawn.low = *reading->value - reading->expanded_u;
        drawn.high = *reading->value + reading->expanded_u;
      }
    }
  }
  return plot;
}

std::string row_of(const Course& course) {
  Reading moved = *course.most;
  moved.value = course.moved();
  moved.low.reset();
  moved.high.reset();
  moved.limit = {};
  const Shown span = shown(moved);
  const bool visible = course.moved() > course.most->expanded_u;
  return "<tr><th scope=\"row\">" + escaped(course.title) + "</th><td>" +
         escaped_prose(course.place) + "</td><td class=\"n\">" +
         escaped(shown(*course.least).value) + "</td><td class=\"n\">" +
         escaped(shown(*course.most).value) + "</td><td class=\"n\">" + escaped(span.value) +
         "</td><td class=\"n\">" + escaped(span.u) + "</td><td>" + escaped(typeset(span.unit)) +
         "</td><td>" + (visible ? "moved by more than U" : "within U: no drift is seen") +
         "</td></tr>\n";
}

}  // namespace

std::string drift_part(const record::Run& run) {
  std::string rows;
  std::string figures;
  for (const char* quantity : {"conversion_gain", "gain_balance", "phase_error"}) {
    const std::vector<Course> courses = courses_of(run, quantity);
    if (courses.empty()) continue;
    rows += row_of(courses.front());
    const Plot plot = plot_of(run, courses,
                              std::string("drift-") + (quantity[0] == 'c'   ? "gain"
                                                       : quantity[0] == 'g' ? "balance"
                                                                            : "phase"));
    figures += "<figure><figcaption>" + escaped(plot.title) +
               " <span>over time</span></figcaption>\n" + svg_element(plot) + "</figure>\n";
  }
  if (rows.empty()) return "";
  return "<h2 id=\"drift\">Drift over the run</h2>\n<p class=\"soft lead\">Places measured three "
         "times or more over "
         "half an hour or more; of each quantity the place that moved most. Shaded: the reading "
         "with its U.</p>\n" +
         scrolling("Drift over the run") +
         "<table>\n<thead><tr><th scope=\"col\">Quantity</th><th scope=\"col\">Where</th><th "
         "scope=\"col\" "
         "class=\"n\">Least</th><th scope=\"col\" class=\"n\">Most</th><th scope=\"col\" "
         "class=\"n\">Moved</th><th "
         "scope=\"col\" class=\"n\">U</th><th scope=\"col\">Unit</th><th scope=\"col\">That "
         "is</th></tr></thead>\n<tbody>\n" +
         rows + "</tbody>\n</table></div>\n<div class=\"curves\">\n" + figures + "</div>\n";
}

}  // namespace nightbench::report
