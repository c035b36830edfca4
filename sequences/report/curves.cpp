#include "sequences/report/curves.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <map>
#include <set>

#include "sequences/report/number_text.hpp"

namespace nightbench::report {
namespace {

using record::Decision;
using record::Point;
using record::Reading;

constexpr std::array<std::string_view, 5> kFirst{"conversion_gain", "gain_balance", "phase_error",
                                                 "image_rejection", "if_error"};
constexpr std::size_t kMostSeries = 6;  // markers and dashes repeat after that

// Coordinates are differences of large numbers; what differs in the tenth digit is one place.
std::string key_text(double value) {
  std::array<char, 40> text{};
  const double tidy = std::round(value * 1e3) / 1e3;
  const auto written =
      std::to_chars(text.data(), text.data() + text.size(), tidy, std::chars_format::general, 9);
  return std::string(text.data(), written.ptr);
}

struct Sample {
  const Point* point;
  const Reading* reading;
};

std::vector<Sample> samples_of(const record::Run& run, const QuantitySummary& entry) {
  std::vector<Sample> out;
  for (const Point& point : run.points) {
    if (point.label != entry.label) continue;
    for (const Reading& reading : point.readings) {
      if (reading.quantity == entry.quantity) out.push_back({&point, &reading});
    }
  }
  return out;
}

std::string x_axis_of(const std::vector<Sample>& samples) {
  std::map<std::string, std::set<std::string>> values;
  for (const Sample& sample : samples) {
    for (const auto& [key, value] : sample.point->at) {
      if (key != "lo_hz" && key != "repeat" && std::isfinite(value)) {
        values[key].insert(key_text(value));
      }
    }
  }
  std::string best;
  std::size_t most = 1;
  for (const auto& [key, each] : values) {
    if (each.size() > most || (each.size() == most && most > 1 && key == "rf_hz")) {
      most = each.size();
      best = key;
    }
  }
  return best;
}

// Coordinates other than x that take more than one value tell the series apart.
std::vector<std::string> series_keys(const std::vector<Sample>& samples, const std::string& x) {
  std::map<std::string, std::set<std::string>> values;
  for (const Sample& sample : samples) {
    for (const auto& [key, value] : sample.point->at) {
      if (key != x && key != "lo_hz") values[key].insert(key_text(value));
    }
  }
  std::vector<std::string> out;
  std::size_t series = 1;
  for (const auto& [key, each] : values) {
    if (each.size() < 2) continue;
    // Many repeats of one place make one scattered curve rather than many curves.
    if (key == "repeat" && series * each.size() > kMostSeries) continue;
    series *= each.size();
    out.push_back(key);
  }
  return out;
}

std::string series_name(const Point& point, const std::vector<std::string>& keys) {
  std::string out;
  for (const std::string& key : keys) {
    const auto found = point.at.find(key);
    if (found == point.at.end()) continue;
    if (!out.empty()) out += ", ";
    if (key == "offset_hz" && found->second != 0) {
      const double tidy = std::round(std::fabs(found->second) * 1e3) / 1e3;
      out += coordinate_text("lo_hz", tidy) + (found->second < 0 ? " below LO" : " above LO");
    } else if (key == "level_dbm") {
      out += coordinate_text(key, found->second);
    } else {
      out += coordinate_title(key) + " " + coordinate_text(key, found->second);
    }
  }
  return out;
}

PlotPoint plot_point(const Sample& sample, double x) {
  const Reading& reading = *sample.reading;
  PlotPoint out;
  out.x = x;
  out.outside =
      reading.decision == Decision::fail || reading.decision == Decision::conditional_fail;
  out.note = where(*sample.point) + ": " + shown(reading).full;
  if (!reading.value) {
    if (!reading.detail.empty()) out.note += ": " + reading.detail;
    return out;
  }
  out.y = reading.value;
  if (reading.low || reading.high) {
    out.low = reading.low ? reading.low : reading.value;
    out.high = reading.high ? reading.high : reading.value;
  } else if (std::isfinite(reading.expanded_u) && reading.expanded_u > 0) {
    out.low = *reading.value - reading.expanded_u;
    out.high = *reading.value + reading.expanded_u;
  }
  return out;
}

std::vector<LimitLine> limit_lines(const std::vector<Sample>& samples, const std::string& x_key) {
  struct Line {
    std::map<double, double> points;
    std::string name;
  };
  std::map<std::pair<std::string, bool>, Line> lines;
  for (const Sample& sample : samples) {
    const auto x = sample.point->at.find(x_key);
    if (x == sample.point->at.end() || !std::isfinite(x->second)) continue;
    const auto take = [&](const std::optional<double>& bound, bool upper) {
      if (!bound || !std::isfinite(*bound)) return;
      Line& line = lines[{sample.reading->limit.name, upper}];
      const auto [at, fresh] = line.points.try_emplace(x->second, *bound);
      // Of two limits at one place the narrower one counts.
      if (!fresh) at->second = upper ? std::min(at->second, *bound) : std::max(at->second, *bound);
    };
    take(sample.reading->limit.upper, true);
    take(sample.reading->limit.lower, false);
  }
  std::vector<LimitLine> out;
  for (const auto& [key, line] : lines) {
    LimitLine& limit = out.emplace_back();
    const bool own = key.first.empty() || key.first == samples.front().reading->quantity;
    limit.name = own ? "limit" : "limit: " + key.first;
    limit.upper = key.second;
    limit.points.assign(line.points.begin(), line.points.end());
  }
  return out;
}

// The baseline's readings of the same step and quantity, over the same coordinate.
void add_baseline(Plot& plot, const record::Run& baseline, const QuantitySummary& entry,
                  const std::string& x, const std::vector<std::string>& keys) {
  std::map<std::string, std::size_t> known;
  for (const Sample& sample : samples_of(baseline, entry)) {
    const auto at = sample.point->at.find(x);
    if (at == sample.point->at.end() || !std::isfinite(at->second)) continue;
    const std::string place = series_name(*sample.point, keys);
    const auto [which, fresh] = known.try_emplace(place, plot.series.size());
    if (fresh) {
      plot.series.emplace_back().name =
          "baseline " + baseline.header.board + (place.empty() ? "" : ", " + place);
    }
    PlotPoint point = plot_point(sample, at->second);
    point.outside = false;  // it is not the baseline that is judged here
    point.note = "baseline, " + point.note;
    plot.series[which->second].points.push_back(std::move(point));
  }
}

Plot curve_of(const record::Run& run, const QuantitySummary& entry, std::size_t number,
              const record::Run* baseline) {
  Plot plot;
  const std::vector<Sample> samples = samples_of(run, entry);
  const std::string x = x_axis_of(samples);
  if (x.empty()) return plot;
  const std::vector<std::string> keys = series_keys(samples, x);
  std::map<std::string, std::size_t> known;
  for (const Sample& sample : samples) {
    const auto at = sample.point->at.find(x);
    if (at == sample.point->at.end() || !std::isfinite(at->second)) continue;
    const std::string name = series_name(*sample.point, keys);
    const auto [place, fresh] = known.try_emplace(name, plot.series.size());
    if (fresh) plot.series.emplace_back().name = name;
    plot.series[place->second].points.push_back(plot_point(sample, at->second));
  }
  const std::size_t own = plot.series.size();
  if (baseline != nullptr) {
    // A single series needs a name beside another one.
    if (own == 1 && plot.series[0].name.empty()) plot.series[0].name = "this board";
    add_baseline(plot, *baseline, entry, x, keys);
  }
  std::size_t missing = 0;
  std::size_t outside = 0;
  for (Series& series : plot.series) {
    std::stable_sort(series.points.begin(), series.points.end(),
                     [](const PlotPoint& a, const PlotPoint& b) { return a.x < b.x; });
    for (const PlotPoint& point : series.points) {
      if (&series >= plot.series.data() + own) continue;
      if (!point.y) ++missing;
      if (point.outside) ++outside;
    }
  }
  plot.limits = limit_lines(samples, x);
  plot.title = entry.title;
  plot.description = entry.title + " over " + coordinate_title(x) + ": " +
                     std::to_string(samples.size()) + " places, " + std::to_string(outside) +
                     " outside the limits, " + std::to_string(missing) + " without a reading.";
  plot.x = Axis{coordinate_title(x), coordinate_unit(x), {}, {}};
  plot.y = Axis{entry.title, entry.unit, {}, {}};
  plot.width = 560;
  plot.height = 320;
  plot.values = true;
  plot.id = "curve-" + std::to_string(number);
  return plot;
}

bool has_limits(const record::Run& run, const QuantitySummary& entry) {
  for (const Sample& sample : samples_of(run, entry)) {
    if (sample.reading->limit.lower || sample.reading->limit.upper) return true;
  }
  return false;
}

}  // namespace

std::vector<Plot> response_curves(const record::Run& run, const Summary& summary,
                                  const record::Run* baseline) {
  std::vector<const QuantitySummary*> wanted;
  for (const std::string_view first : kFirst) {
    for (const QuantitySummary& entry : summary.quantities) {
      if (entry.quantity == first) wanted.push_back(&entry);
    }
  }
  for (const QuantitySummary& entry : summary.quantities) {
    const bool taken = std::find(wanted.begin(), wanted.end(), &entry) != wanted.end();
    if (!taken && has_limits(run, entry)) wanted.push_back(&entry);
  }
  std::vector<Plot> out;
  for (const QuantitySummary* entry : wanted) {
    Plot plot = curve_of(run, *entry, out.size(), baseline);
    if (!plot.series.empty()) out.push_back(std::move(plot));
  }
  return out;
}

namespace {

std::optional<double> volts(const std::vector<float>& samples, std::size_t index) {
  if (index >= samples.size() || !std::isfinite(samples[index])) return std::nullopt;
  return static_cast<double>(samples[index]);
}

}  // namespace

Plot time_trace(const record::TraceExcerpt& excerpt, const std::string& id,
                std::size_t most_samples) {
  Plot plot;
  plot.title = "I and Q over time";
  plot.description = "A stretch of the capture: volts at the two outputs.";
  plot.x = Axis{"Time", "s", {}, {}};
  plot.y = Axis{"Voltage", "V", {}, {}};
  plot.id = id;
  for (const auto& [name, samples] : {std::pair{"I", &excerpt.i_v}, std::pair{"Q", &excerpt.q_v}}) {
    Series& series = plot.series.emplace_back();
    series.name = name;
    series.markers = false;
    for (std::size_t i = 0; i < std::min(samples->size(), most_samples); ++i) {
      PlotPoint& point = series.points.emplace_back();
      point.x = static_cast<double>(i) * excerpt.dt_s;
      point.y = volts(*samples, i);
    }
  }
  return plot;
}

Plot i_against_q(const record::TraceExcerpt& excerpt, const std::string& id,
                 std::size_t most_samples) {
  Plot plot;
  plot.title = "Q against I";
  plot.description = "A circle when both outputs are equally large and 90 degrees apart.";
  plot.x = Axis{"I", "V", {}, {}};
  plot.y = Axis{"Q", "V", {}, {}};
  plot.width = 380;
  plot.height = 360;
  plot.equal_scales = true;
  plot.id = id;
  Series& series = plot.series.emplace_back();
  series.markers = false;
  const std::size_t size = std::min({excerpt.i_v.size(), excerpt.q_v.size(), most_samples});
  for (std::size_t i = 0; i < size; ++i) {
    const auto across = volts(excerpt.i_v, i);
    if (!across) continue;
    PlotPoint& point = series.points.emplace_back();
    point.x = *across;
    point.y = volts(excerpt.q_v, i);
  }
  return plot;
}

}  // namespace nightbench::report
