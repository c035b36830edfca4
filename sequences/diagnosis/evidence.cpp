#include "sequences/diagnosis/evidence.hpp"

#include <algorithm>
#include <cmath>
#include <map>
#include <numbers>
#include <optional>
#include <set>

#include "sequences/reading/iq.hpp"

namespace nightbench::diagnosis {
namespace {

using record::Decision;
using record::Point;
using record::Reading;

constexpr double kOpen = 9;       // 1 Gohm
constexpr double kLeastOhm = 1;  // below, an ohmmeter with two tips tells nothing
constexpr double kSource_ohm = 50;
constexpr double kLowIf_hz = 10e3;  // below every corner of a receiver's outputs: common practice, no source
const double kDbPerNeper = 20 / std::numbers::ln10;

bool missed(const Reading& reading) {
  return reading.decision == Decision::fail || reading.decision == Decision::conditional_fail;
}

std::string shown_as(double value, const std::string& unit) {
  if (unit == "V") return format(value, Unit::volt, 3);
  if (unit == "A") return format(value, Unit::ampere, 3);
  if (unit == "ohm") return format(value, Unit::ohm, 3);
  if (unit == "Hz") return format(value, Unit::hertz, 3);
  if (unit == "deg") return format(value, Unit::degree, 3);
  return format(value, Unit::db, 3);
}

double coordinate(const Point& point, const char* name) {
  const auto found = point.at.find(name);
  return found == point.at.end() ? 0 : found->second;
}

class Collector {
 public:
  explicit Collector(const script::BoardType& type) : type_(type) {}

  void take(const Point& point) {
    point_ = &point;
    if_hz_ = std::fabs(coordinate(point, "offset_hz"));
    const auto has = [&](const char* quantity) { return find(quantity) != nullptr; };
    if (has("if_frequency") || has("i_amplitude")) {
      take_outputs();
      return;
    }
    for (const Reading& reading : point.readings) take(reading);
  }

  void trip(bool tripped) {
    Observation out = start("supply_trip", kPower, "Supply trips");
    out.seen.value = tripped ? 1 : 0;
    out.shown = tripped ? "yes" : "no";
    out.missed = tripped;
    raw_.push_back({out, 0});
  }

  bool powered() const { return powered_; }
  std::vector<Observation> merged() const;

 private:
  struct Raw {
    Observation observation;
    double rf_hz = 0;
  };

  const Reading* find(const std::string& quantity) const {
    const auto found = std::ranges::find(point_->readings, quantity, &Reading::quantity);
    return found == point_->readings.end() ? nullptr : &*found;
  }

  Observation start(std::string reading, std::string check, std::string title) const {
    Observation out;
    out.reading = std::move(reading);
    out.check = std::move(check);
    out.title = std::move(title);
    return out;
  }

  void add(Observation observation) {
    raw_.push_back({std::move(observation), point_ != nullptr ? coordinate(*point_, "rf_hz") : 0});
  }

  void take(const Reading& reading);
  void take_ohms(const Reading& reading);
  void take_volts(const Reading& reading);
  void take_pair(const Reading& reading, const script::PairCheck& check, const std::string& part);
  void take_outputs();
  void take_channel(char channel, double expected_v, bool other_read);

  const script::BoardType& type_;
  const Point* point_ = nullptr;
  double if_hz_ = 0;
  bool powered_ = false;
  std::vector<Raw> raw_;
};

void Collector::take(const Reading& reading) {
  if (reading.unit == "yes/no") {
    if (!reading.value) return;
    Observation out = start(reading.quantity, reading.quantity, reading.title);
    out.seen.value = *reading.value;
    out.shown = *reading.value > 0.5 ? "yes" : "no";
    out.missed = missed(reading);
    add(std::move(out));
    return;
  }
  if (type_.bring_up.resistances.contains(reading.quantity)) return take_ohms(reading);
  if (reading.quantity == "supply_current") {
    powered_ = true;
    const record::Limit& limit = reading.limit;
    if (!reading.value || !limit.upper || *limit.upper <= 0) return;
    Observation out = start("supply_current", kPower, reading.title);
    out.seen = {*reading.value / *limit.upper, 0.5 * reading.expanded_u / *limit.upper, false};
    out.shown = shown_as(*reading.value, "A");
    out.missed = missed(reading);
    add(std::move(out));
    return;
  }
  if (reading.quantity == "supply_voltage" && reading.value && type_.supply_v > 0) {
    Observation out = start("supply_voltage", kPower, reading.title);
    out.seen = {*reading.value / type_.supply_v, 0.5 * reading.expanded_u / type_.supply_v, false};
    out.shown = shown_as(*reading.value, "V");
    out.missed = missed(reading);
    add(std::move(out));
    return;
  }
  if (type_.find(reading.quantity) != nullptr) return take_volts(reading);
  const std::size_t dot = reading.quantity.find('.');
  if (dot == std::string::npos) return;
  const auto check = type_.bring_up.pairs.find(reading.quantity.substr(0, dot));
  if (check == type_.bring_up.pairs.end()) return;
  take_pair(reading, check->second, reading.quantity.substr(dot + 1));
}

void Collector::take_ohms(const Reading& reading) {
  Observation out = start(reading.quantity, reading.quantity, reading.title);
  out.missed = missed(reading);
  if (reading.value) {
    const double ohm = std::max(std::fabs(*reading.value), kLeastOhm);
    out.seen.value = std::log10(ohm);
    out.seen.u = 0.5 * reading.expanded_u / ohm / std::numbers::ln10;
    out.shown = shown_as(*reading.value, "ohm");
  } else if (reading.reason == "open") {
    out.seen.value = kOpen;
    out.shown = "open";
  } else {
    return;
  }
  add(std::move(out));
}

void Collector::take_volts(const Reading& reading) {
  const record::Limit limit = script::limit_at(type_.limits, reading.quantity, 0);
  if (!reading.value || !limit.lower || !limit.upper) return;
  const double nominal = 0.5 * (*limit.lower + *limit.upper);
  if (nominal == 0) return;
  Observation out = start(reading.quantity, reading.quantity, reading.title);
  out.seen = {*reading.value / nominal, 0.5 * reading.expanded_u / std::fabs(nominal), false};
  out.shown = shown_as(*reading.value, "V");
  out.missed = missed(reading);
  add(std::move(out));
}

void Collector::take_pair(const Reading& reading, const script::PairCheck& check,
                          const std::string& part) {
  Observation out = start(reading.quantity, check.id, reading.title);
  out.if_hz = check.at == script::Carrier::intermediate ? if_hz_ : 0;
  out.missed = missed(reading);
  const bool level = part == "level_1" || part == "level_2";
  if (!reading.value) {
    if (!level || reading.reason != "empty") return;
    out.seen.absent = true;
    out.shown = "no line";
    add(std::move(out));
    return;
  }
  out.seen = {*reading.value, 0.5 * reading.expanded_u, false};
  out.shown = shown_as(*reading.value, reading.unit);
  if (level) {
    const double reference_v =
        check.at == script::Carrier::lo
            ? 2 / std::numbers::pi * type_.lo_amplitude_v
            : reading::emf_peak_v(coordinate(*point_, "level_dbm"), kSource_ohm);
    if (!(*reading.value > 0) || !(reference_v > 0)) return;
    out.seen.value = 20 * std::log10(*reading.value / reference_v);
    out.seen.u = kDbPerNeper * 0.5 * reading.expanded_u / *reading.value;
  } else if (part == "frequency") {
    if (!reading.limit.upper || *reading.limit.upper <= 0) return;
    out.seen.value /= *reading.limit.upper;
    out.seen.u /= *reading.limit.upper;
  }
  add(std::move(out));
}

void Collector::take_channel(char channel, double expected_v, bool other_read) {
  const std::string name(1, channel);
  const Reading* amplitude = find(name + "_amplitude");
  const std::string reading = name + "_level";
  Observation out = start(reading, kOutputs, channel == 'i' ? "I level" : "Q level");
  out.if_hz = if_hz_;
  const bool read = amplitude != nullptr && amplitude->value && *amplitude->value > 0;
  if (read) {
    // Beside I, the balance tells Q's level and tells it better.
    if ((channel == 'q' && other_read) || if_hz_ > kLowIf_hz) return;
    out.seen.value = 20 * std::log10(*amplitude->value / expected_v);
    out.seen.u = kDbPerNeper * 0.5 * amplitude->expanded_u / *amplitude->value;
    out.shown = shown_as(*amplitude->value, "V") + " where " + shown_as(expected_v, "V") +
                " is expected";
    out.missed = std::fabs(out.seen.value) > 6;
  } else if (amplitude != nullptr && amplitude->reason == "empty") {
    out.seen.absent = true;
    out.shown = "silent";
    out.missed = true;
  } else {
    return;
  }
  add(std::move(out));
}

void Collector::take_outputs() {
  const Reading* i = find("i_amplitude");
  const Reading* q = find("q_amplitude");
  const auto reason_of = [](const Reading* each) {
    return each != nullptr && !each->value ? each->reason : std::string();
  };
  const std::string reason = reason_of(i).empty() ? reason_of(q) : reason_of(i);
  if (reason == "skipped" || reason == "instrument-trouble") return;
  const double expected_v = reading::emf_peak_v(coordinate(*point_, "level_dbm"), kSource_ohm) *
                            std::pow(10, type_.conversion_gain_db / 20);
  take_channel('i', expected_v, false);
  take_channel('q', expected_v, i != nullptr && i->value.has_value());

  const auto direct = [&](const char* quantity, const char* id, double by, double over) {
    const Reading* reading = find(quantity);
    if (reading == nullptr || !reading->value) return;
    const bool angle = reading->unit == "deg";
    Observation out = start(id, kOutputs, angle ? "Q less I (+90 deg is right)" : reading->title);
    out.if_hz = if_hz_;
    out.seen = {*reading->value * by / over, 0.5 * reading->expanded_u / std::fabs(over), false};
    out.shown = shown_as(angle ? out.seen.value : *reading->value, reading->unit);
    out.missed = missed(*reading);
    if (angle) {
      // What is judged of the angle has names of its own.
      for (const char* judged : {"phase_error", "image_rejection"}) {
        const Reading* also = find(judged);
        out.missed = out.missed || (also != nullptr && missed(*also));
      }
    }
    add(std::move(out));
  };
  direct("gain_balance", "gain_balance", 1, 1);
  const double side = coordinate(*point_, "offset_hz") < 0 ? -1 : 1;
  direct("q_minus_i", "quadrature", -type_.sense * side, 1);
  if (type_.output_bias_v > 0) {
    direct("i_offset", "i_offset", 1, type_.output_bias_v);
    direct("q_offset", "q_offset", 1, type_.output_bias_v);
  }
  const auto refused = [&](const char* id, const char* title, bool yes) {
    Observation out = start(id, kOutputs, title);
    out.seen.value = yes ? 1 : 0;
    out.shown = yes ? "yes" : "no";
    out.missed = yes;
    add(std::move(out));
  };
  refused("iq_clipped", "I and Q clip", reason.starts_with("clipped"));
  refused("iq_unsteady", "I and Q are unsteady",
          reason == "drifting" || reason == "channels-disagree" || reason == "not-a-tone");
}

double median(std::vector<double> values) {
  std::ranges::sort(values);
  const std::size_t half = values.size() / 2;
  return values.size() % 2 == 1 ? values[half] : 0.5 * (values[half - 1] + values[half]);
}

// Of degrees: the first turns the others to within half a turn of itself.
double median_on(std::vector<double> values, Scale scale) {
  if (scale == Scale::degree) {
    for (double& each : values) each = values[0] + std::remainder(each - values[0], 360.0);
  }
  return median(std::move(values));
}

bool turns(const std::string& reading) {
  return reading == "quadrature" || reading.ends_with(".phase");
}

std::vector<Observation> Collector::merged() const {
  struct Group {
    std::vector<const Raw*> values, silent;
  };
  std::map<std::pair<std::string, int>, Group> groups;
  std::vector<std::pair<std::string, int>> order;
  for (const Raw& each : raw_) {
    const double if_hz = each.observation.if_hz;
    const int octave = if_hz > 0 ? static_cast<int>(std::lround(std::log2(if_hz))) : 0;
    const auto key = std::pair(each.observation.reading, octave);
    Group& group = groups[key];
    if (group.values.empty() && group.silent.empty()) order.push_back(key);
    (each.observation.seen.absent ? group.silent : group.values).push_back(&each);
  }
  std::vector<Observation> out;
  for (const auto& key : order) {
    const Group& group = groups.at(key);
    const auto& majority = group.silent.size() > group.values.size() ? group.silent : group.values;
    std::vector<double> values, us, ifs;
    bool missed_somewhere = false;
    for (const Raw* each : majority) {
      values.push_back(each->observation.seen.value);
      us.push_back(each->observation.seen.u);
      ifs.push_back(each->observation.if_hz);
      missed_somewhere = missed_somewhere || each->observation.missed;
    }
    const double middle = median_on(values, turns(key.first) ? Scale::degree : Scale::db);
    // The one nearest to the median speaks for all.
    const Raw* speaker = *std::ranges::min_element(majority, {}, [&](const Raw* each) {
      return std::fabs(each->observation.seen.value - middle);
    });
    Observation one = speaker->observation;
    one.seen.value = middle;
    one.seen.u = median(us);
    one.if_hz = median(ifs);
    one.missed = missed_somewhere;
    if (majority.size() > 1) one.shown += " (median of " + std::to_string(majority.size()) + ")";
    out.push_back(std::move(one));
  }
  return out;
}

// How the gain changes with RF: a band filter that sits elsewhere shows as a slope. Points on both
// sides of the LO and of one IF only, so that nothing else changes.
std::optional<Observation> slope(const record::Run& run) {
  constexpr double kLeastApart_hz = 20e3;
  struct Sums {
    double n = 0, x = 0, y = 0, xx = 0, xy = 0, lowest = 0, highest = 0;
  };
  std::map<std::pair<double, double>, Sums> series;
  for (const Point& point : run.points) {
    const auto gain = std::ranges::find(point.readings, "conversion_gain", &Reading::quantity);
    if (gain == point.readings.end() || !gain->value || !point.at.contains("offset_hz")) continue;
    if (record::harmonic_of(point) != 1) continue;
    Sums& sums = series[{coordinate(point, "offset_hz"), coordinate(point, "level_dbm")}];
    const double rf_hz = coordinate(point, "rf_hz");
    if (sums.n == 0) sums.lowest = sums.highest = rf_hz;
    sums.lowest = std::min(sums.lowest, rf_hz);
    sums.highest = std::max(sums.highest, rf_hz);
    const double x = (rf_hz - 10e6) / 100e3;  // any start will do
    sums.n += 1;
    sums.x += x;
    sums.y += *gain->value;
    sums.xx += x * x;
    sums.xy += x * *gain->value;
  }
  std::vector<double> slopes;
  double widest_hz = 0;
  for (const auto& [key, sums] : series) {
    if (sums.highest - sums.lowest < kLeastApart_hz) continue;
    widest_hz = std::max(widest_hz, sums.highest - sums.lowest);
    slopes.push_back((sums.n * sums.xy - sums.x * sums.y) / (sums.n * sums.xx - sums.x * sums.x));
  }
  if (slopes.empty()) return std::nullopt;
  Observation out;
  out.reading = "gain_slope";
  out.check = kOutputs;
  out.title = "Gain over RF";
  out.seen.value = median(slopes);
  out.seen.u = 0.02 * 100e3 / widest_hz;  // source flatness over the band: common practice, no source
  out.shown = format(out.seen.value, Unit::db, 2) + " per 100 kHz";
  return out;
}

// How much each channel falls from a low IF to a high one, at one level.
std::vector<Observation> rolloffs(const record::Run& run) {
  constexpr double kFarFrom_hz = 15e3, kFarTo_hz = 26e3;
  std::vector<Observation> out;
  for (const char channel : {'i', 'q'}) {
    const std::string quantity = std::string(1, channel) + "_amplitude";
    std::map<double, std::pair<std::vector<double>, std::vector<double>>> by_level;
    for (const Point& point : run.points) {
      const auto found = std::ranges::find(point.readings, quantity, &Reading::quantity);
      const double offset_hz = coordinate(point, "offset_hz");
      if (found == point.readings.end() || !found->value || !(*found->value > 0)) continue;
      if (record::harmonic_of(point) != 1) continue;
      // One side of the LO only: the two differ a little.
      if (offset_hz <= 0 || offset_hz > kFarTo_hz) continue;
      if (offset_hz > kLowIf_hz && offset_hz < kFarFrom_hz) continue;
      auto& [near, far] = by_level[coordinate(point, "level_dbm")];
      (offset_hz > kLowIf_hz ? far : near).push_back(20 * std::log10(*found->value));
    }
    std::vector<double> falls;
    for (const auto& [level, both] : by_level) {
      if (both.first.empty() || both.second.empty()) continue;
      falls.push_back(median(both.second) - median(both.first));
    }
    if (falls.empty()) continue;
    Observation one;
    one.reading = std::string(1, channel) + "_rolloff";
    one.check = kOutputs;
    one.title = std::string(channel == 'i' ? "I" : "Q") + " at a high IF";
    one.seen = {median(falls), 0.05, false};  // linearity of one range: common practice, no source
    one.shown = format(one.seen.value, Unit::db, 3);
    out.push_back(std::move(one));
  }
  return out;
}

}  // namespace

std::vector<Observation> evidence_of(const record::Run& run, const script::BoardType& type) {
  Collector collector(type);
  for (const Point& point : run.points) collector.take(point);
  const bool tripped = run.outcome == record::Outcome::unsafe &&
                       run.outcome_text.find("tripped") != std::string::npos;
  if (tripped || collector.powered()) collector.trip(tripped);
  std::vector<Observation> out = collector.merged();
  if (auto one = slope(run)) out.push_back(*std::move(one));
  for (Observation& each : rolloffs(run)) out.push_back(std::move(each));
  return out;
}

}  // namespace nightbench::diagnosis
