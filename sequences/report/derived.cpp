#include "sequences/report/derived.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <iterator>
#include <map>
#include <set>
#include <tuple>

#include "drivers/base/quantity.hpp"
#include "sequences/reading/response.hpp"

namespace nightbench::report {
namespace {

using reading::Outcome;

struct Sample {
  double rf_hz = 0, offset_hz = 0, level_dbm = 0;
  int harmonic = 1;    // the multiple of the LO beside which the RF stood
  double seconds = 0;  // since the start of the run
  const record::Point* point = nullptr;
};

const record::Reading* find(const record::Point& point, const std::string& quantity) {
  for (const record::Reading& reading : point.readings) {
    if (reading.quantity == quantity && reading.value) return &reading;
  }
  return nullptr;
}

std::vector<Sample> samples_of(const record::Run& run) {
  std::vector<Sample> out;
  for (const record::Point& point : run.points) {
    const auto at = [&point](const char* key) {
      const auto found = point.at.find(key);
      return found == point.at.end() ? 0.0 : found->second;
    };
    if (at("rf_hz") <= 0) continue;
    out.push_back({at("rf_hz"), at("offset_hz"), at("level_dbm"), record::harmonic_of(point),
                   seconds(point.started - run.header.started), &point});
  }
  return out;
}

std::string offset_text(double offset_hz) {
  return "IF " + format(std::fabs(offset_hz), Unit::hertz, 4) +
         (offset_hz > 0 ? " above LO" : " below LO");
}

void add(std::vector<Derived>& out, const Outcome& outcome, const std::string& quantity,
         const std::string& title, const std::string& unit, const std::string& over) {
  Derived derived;
  derived.over = over;
  derived.reading.quantity = quantity;
  derived.reading.title = title;
  derived.reading.unit = unit;
  if (outcome) {
    derived.reading.value = outcome->value;
    if (std::isfinite(outcome->U)) derived.reading.expanded_u = outcome->U;
  } else {
    derived.reading.reason = reading::name(outcome.error().reason);
    derived.reading.detail = outcome.error().detail;
    derived.reading.decision = record::Decision::no_reading;
  }
  out.push_back(std::move(derived));
}

reading::Point curve_point(double x, const record::Reading& y) {
  return {x, *y.value, y.expanded_u / 2};
}

// Groups by everything but one coordinate; the first of repeated points counts.
using Key = std::tuple<double, double>;

void over_band(const std::vector<Sample>& samples, std::vector<Derived>& out) {
  std::map<Key, std::map<double, reading::Point>> groups;
  for (const Sample& sample : samples) {
    if (const record::Reading* gain = find(*sample.point, "conversion_gain")) {
      groups[{sample.offset_hz, sample.level_dbm}].try_emplace(sample.rf_hz,
                                                               curve_point(sample.rf_hz, *gain));
    }
  }
  for (const auto& [key, curve] : groups) {
    if (curve.size() < 3) continue;
    std::vector<reading::Point> points;
    for (const auto& [rf, point] : curve) points.push_back(point);
    const std::string over =
        offset_text(std::get<0>(key)) + ", " + format(std::get<1>(key), Unit::dbm, 4);
    add(out, reading::ripple_db(points, points.front().x, points.back().x), "ripple",
        "Conversion gain, largest less smallest", "dB", over);
    const reading::Edges edges = reading::edges(points, 3.0102999566398120);
    // A band far inside the filter has no edge to find; one of them is enough to speak of both.
    if (edges.lower || edges.upper) {
      add(out, edges.lower, "edge_low", "Lower -3 dB edge", "Hz", over);
      add(out, edges.upper, "edge_high", "Upper -3 dB edge", "Hz", over);
    }
  }
}

void over_level(const std::vector<Sample>& samples, std::vector<Derived>& out) {
  std::map<Key, std::map<double, reading::Point>> groups;
  for (const Sample& sample : samples) {
    if (const record::Reading* amplitude = find(*sample.point, "i_amplitude")) {
      if (*amplitude->value <= 0) continue;
      reading::Point point;
      point.x = sample.level_dbm;
      point.y = 20 * std::log10(*amplitude->value);
      point.u = 8.6859 * amplitude->expanded_u / 2 / *amplitude->value;
      groups[{sample.rf_hz, sample.offset_hz}].try_emplace(sample.level_dbm, point);
    }
  }
  for (const auto& [key, curve] : groups) {
    if (curve.size() < 5) continue;
    std::vector<reading::Point> points;
    for (const auto& [level, point] : curve) points.push_back(point);
    // The small-signal line goes through the lowest third of the swept levels.
    const double fit_range_db = (points.back().x - points.front().x) * 2 / 3;
    const reading::Compression found = reading::compression(points, fit_range_db);
    if (!found.input_dbm) continue;  // not driven into compression
    add(out, found.input_dbm, "compression_1db", "1 dB compression, source level", "dBm",
        "RF " + format(std::get<0>(key), Unit::hertz, 7) + ", " + offset_text(std::get<1>(key)));
  }
}

void over_offset(const std::vector<Sample>& samples, std::vector<Derived>& out) {
  std::map<std::tuple<double, double, bool>, std::map<double, reading::Point>> groups;
  for (const Sample& sample : samples) {
    if (const record::Reading* gain = find(*sample.point, "conversion_gain")) {
      const double if_hz = std::fabs(sample.offset_hz);
      groups[{sample.rf_hz, sample.level_dbm, sample.offset_hz > 0}].try_emplace(
          if_hz, curve_point(if_hz, *gain));
    }
  }
  for (const auto& [key, curve] : groups) {
    if (curve.size() < 6) continue;
    std::vector<reading::Point> points;
    for (const auto& [offset, point] : curve) points.push_back(point);
    const Outcome corner = reading::corner_hz(points);
    if (!corner) continue;
    add(out, corner, "if_corner", "IF corner, -3 dB", "Hz",
        "RF " + format(std::get<0>(key), Unit::hertz, 7) +
            (std::get<2>(key) ? ", above LO" : ", below LO"));
  }
}

void both_sides(const std::vector<Sample>& samples, std::vector<Derived>& out) {
  std::map<std::tuple<double, double, double>, std::array<const record::Reading*, 2>> pairs;
  for (const Sample& sample : samples) {
    if (const record::Reading* angle = find(*sample.point, "q_minus_i")) {
      auto& sides = pairs[{sample.rf_hz, std::fabs(sample.offset_hz), sample.level_dbm}];
      const std::size_t side = sample.offset_hz > 0 ? 0 : 1;
      if (sides[side] == nullptr) sides[side] = angle;
    }
  }
  struct Worst {
    double phase = 0, delay_s = 0, u_deg = 0, rf_hz = 0;
    bool any = false;
  } worst;
  for (const auto& [key, sides] : pairs) {
    if (sides[0] == nullptr || sides[1] == nullptr) continue;
    const int sense = *sides[0]->value > 0 ? -1 : 1;  // Q leads above the LO: -1
    const double u = std::hypot(sides[0]->expanded_u, sides[1]->expanded_u) / 2 / std::sqrt(2.0);
    const reading::SideSplit split =
        reading::split_sides(*sides[0]->value, *sides[1]->value, std::get<1>(key), sense, u);
    if (!worst.any || std::fabs(split.lo_phase_error_deg) > std::fabs(worst.phase)) {
      worst = {split.lo_phase_error_deg, split.delay_s, split.u_deg, std::get<0>(key), true};
    }
  }
  if (!worst.any) return;
  reading::Reading phase;
  phase.value = worst.phase;
  phase.U = 2 * worst.u_deg;
  add(out, phase, "side_phase", "Phase error free of delay, worst", "deg",
      "both sides of the LO, RF " + format(worst.rf_hz, Unit::hertz, 7));
  reading::Reading delay;
  delay.value = worst.delay_s;
  add(out, delay, "side_delay", "Delay of Q after I there", "s",
      "both sides of the LO, RF " + format(worst.rf_hz, Unit::hertz, 7));
}

// The LO told apart from the source where the RF stood on both sides of one LO setting. The widest
// such pair tells most; one is enough, the instruments are the same for all.
void frequency_error(const std::vector<Sample>& samples, std::vector<Derived>& out) {
  struct Side {
    const Sample* sample = nullptr;
    const record::Reading* seen = nullptr;
  };
  std::map<double, std::array<Side, 2>> settings;  // by LO, millihertz
  double widest_hz = 0;
  double chosen = 0;
  for (const Sample& sample : samples) {
    const record::Reading* const seen = find(*sample.point, "if_frequency");
    if (seen == nullptr || sample.offset_hz == 0) continue;
    const double lo = std::round((sample.rf_hz - sample.offset_hz) * 1e3);
    auto& sides = settings[lo];
    Side& side = sides[sample.offset_hz > 0 ? 0 : 1];
    if (side.sample == nullptr || std::fabs(sample.offset_hz) > std::fabs(side.sample->offset_hz)) {
      side = {&sample, seen};
    }
    if (sides[0].sample == nullptr || sides[1].sample == nullptr) continue;
    const double apart_hz = sides[0].sample->rf_hz - sides[1].sample->rf_hz;
    if (apart_hz <= widest_hz) continue;
    widest_hz = apart_hz;
    chosen = lo;
  }
  if (widest_hz <= 0) return;
  const auto& [above, below] = settings[chosen];
  const auto signed_if = [](const Side& side) {
    return reading::SignedIf{side.sample->rf_hz, *side.seen->value, side.seen->expanded_u / 2};
  };
  // What the source is good for stands in the U of the IF error, with less beside it.
  const record::Reading* const error = find(*above.sample->point, "if_error");
  const double u_source_rel = error != nullptr ? error->expanded_u / 2 / above.sample->rf_hz : 1e-6;
  const double lo_hz = chosen * 1e-3;
  const reading::FrequencyErrors found =
      reading::frequency_errors(signed_if(above), signed_if(below), lo_hz, u_source_rel);
  if (!found.lo_error_hz) return;
  add(out, found.lo_error_hz, "lo_error", "LO frequency, true less set, by the source", "Hz",
      "both sides of the LO at " + format(lo_hz, Unit::hertz, 9));
}

void over_time(const std::vector<Sample>& samples, std::vector<Derived>& out) {
  constexpr double kLeast_s = 1800;
  const std::pair<const char*, const char*> watched[] = {
      {"gain_balance", "Drift of gain balance"},
      {"phase_error", "Drift of phase error"},
      {"conversion_gain", "Drift of conversion gain"}};
  for (const auto& [quantity, title] : watched) {
    std::map<std::tuple<double, double, double>, std::vector<reading::Point>> groups;
    for (const Sample& sample : samples) {
      if (const record::Reading* value = find(*sample.point, quantity)) {
        groups[{sample.rf_hz, sample.offset_hz, sample.level_dbm}].push_back(
            curve_point(sample.seconds, *value));
      }
    }
    for (const auto& [key, points] : groups) {
      if (points.size() < 3 || points.back().x - points.front().x < kLeast_s) continue;
      const std::string unit = quantity == std::string("phase_error") ? "deg" : "dB";
      add(out, reading::drift_per_hour(points, quantity, unit + "/h"),
          std::string(quantity) + "_drift", title, unit + "/h",
          "RF " + format(std::get<0>(key), Unit::hertz, 7) + ", " + offset_text(std::get<1>(key)));
      break;  // one place tells; the curves show the others
    }
  }
}

// The board's response beside a multiple of the LO, over its response beside the LO at the same LO and
// IF: what a strong station there would be heard with. Gains do not depend on the level where the board is
// linear: beside the LO the lowest level counts. Of the ratios the largest over the band counts.
void over_harmonics(const std::vector<Sample>& all, std::vector<Derived>& out) {
  using Place = std::pair<double, double>;  // LO and offset, millihertz
  const auto lo_hz = [](const Sample& sample) {
    return (sample.rf_hz - sample.offset_hz) / sample.harmonic;
  };
  const auto place = [&lo_hz](const Sample& sample) {
    return Place{std::round(lo_hz(sample) * 1e3), std::round(sample.offset_hz * 1e3)};
  };
  struct Reference {
    const record::Reading* gain = nullptr;
    double level_dbm = 0;
  };
  std::map<Place, Reference> beside_lo;
  for (const Sample& sample : all) {
    const record::Reading* const gain = find(*sample.point, "conversion_gain");
    if (gain == nullptr || sample.harmonic != 1) continue;
    Reference& reference = beside_lo[place(sample)];
    if (reference.gain == nullptr || sample.level_dbm < reference.level_dbm) {
      reference = {gain, sample.level_dbm};
    }
  }
  struct Largest {
    reading::Reading ratio;
    const Sample* sample = nullptr;
  };
  std::map<int, Largest> largest;
  for (const Sample& sample : all) {
    if (sample.harmonic == 1) continue;
    const record::Reading* const gain = find(*sample.point, "conversion_gain");
    const auto reference = beside_lo.find(place(sample));
    if (gain == nullptr || reference == beside_lo.end()) continue;
    Largest& seen = largest[sample.harmonic];
    const double ratio_db = *gain->value - *reference->second.gain->value;
    if (seen.sample != nullptr && ratio_db <= seen.ratio.value) continue;
    seen.ratio.value = ratio_db;
    // The level is another one's error at another frequency: nothing of it cancels for certain.
    seen.ratio.U = std::hypot(gain->expanded_u, reference->second.gain->expanded_u);
    seen.sample = &sample;
  }
  for (const auto& [harmonic, seen] : largest) {
    const std::string times = std::to_string(harmonic);
    add(out, seen.ratio, "response_at_" + times + "_lo",
        "Response at " + times + " x LO over that at the LO, largest", "dB",
        "RF " + format(seen.sample->rf_hz, Unit::hertz, 7) + ", IF " +
            format(std::fabs(seen.sample->offset_hz), Unit::hertz, 4) +
            (seen.sample->offset_hz > 0 ? " above " : " below ") + times + " x LO");
  }
}

}  // namespace

std::vector<Derived> derive(const record::Run& run) {
  const std::vector<Sample> all = samples_of(run);
  std::vector<Sample> samples;
  std::ranges::copy_if(all, std::back_inserter(samples),
                       [](const Sample& sample) { return sample.harmonic == 1; });
  std::vector<Derived> out;
  over_band(samples, out);
  over_level(samples, out);
  over_offset(samples, out);
  both_sides(samples, out);
  frequency_error(samples, out);
  over_harmonics(all, out);
  over_time(samples, out);
  return out;
}

}  // namespace nightbench::report
