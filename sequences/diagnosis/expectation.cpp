#include "sequences/diagnosis/expectation.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace nightbench::diagnosis {
namespace {

constexpr double kOutlier = 0.002;       // share of readings that say nothing about the board
constexpr double kOutlierOhms = 0.0003;  // a resistance that is off is measured twice before it is kept
constexpr double kFreedom = 6;           // of the Student distribution
constexpr double kAbsentAnyhow = 0.005;  // a good point that shows nothing
constexpr double kAbsentIndeed = 0.75;   // a silent point that shows nothing, not even a trace
constexpr double kTraceFrom_db = -80, kTraceTo_db = -20;
constexpr double kAbsentUnknown = 0.25;  // where nobody can say

// How far readings of a scale can lie apart.
double span(Scale scale) {
  switch (scale) {
    case Scale::db: return 60;
    case Scale::degree: return 360;
    case Scale::log_ohm: return 10;
    case Scale::part: return 3;
    case Scale::yes_no: return 2;
  }
  return 1;
}

double distance(double value, double from, Scale scale) {
  const double apart = value - from;
  return scale == Scale::degree ? std::remainder(apart, 360.0) : apart;
}

double student_density(double deviation, double width) {
  const double t = deviation / width;
  static const double scale_factor = std::tgamma((kFreedom + 1) / 2) /
                                     (std::tgamma(kFreedom / 2) * std::sqrt(kFreedom * std::numbers::pi));
  return scale_factor / width * std::pow(1 + t * t / kFreedom, -(kFreedom + 1) / 2);
}

double normal_below(double deviation, double width) {
  return 0.5 * std::erfc(-deviation / width / std::numbers::sqrt2);
}

double density_between(const Expectation& expected, const Seen& seen, Scale scale) {
  const double width = expected.to - expected.from;
  const double soft = std::max(std::hypot(seen.u, 0.003 * width), 1e-9);
  const double middle = 0.5 * (expected.from + expected.to);
  const double deviation = distance(seen.value, middle, scale);
  return (normal_below(deviation + 0.5 * width, soft) - normal_below(deviation - 0.5 * width, soft)) /
         width;
}

double value_density(const Expectation& expected, const Seen& seen, Scale scale) {
  switch (expected.kind) {
    case Kind::near: {
      if (scale == Scale::yes_no) return std::fabs(seen.value - expected.centre) < 0.5 ? 0.97 : 0.03;
      const double width = std::max(std::hypot(expected.spread, seen.u), 1e-9);
      return student_density(distance(seen.value, expected.centre, scale), width);
    }
    case Kind::between: return density_between(expected, seen, scale);
    case Kind::absent:
      return scale == Scale::db && seen.value < kTraceTo_db ? 1 / (kTraceTo_db - kTraceFrom_db) : 0;
    case Kind::unknown: return 1 / span(scale);
  }
  return 0;
}

}  // namespace

const char* word(Scale scale) {
  switch (scale) {
    case Scale::db: return "dB";
    case Scale::degree: return "deg";
    case Scale::log_ohm: return "ohm";
    case Scale::part: return "part";
    case Scale::yes_no: return "yes/no";
  }
  return "?";
}

double log_likelihood_of_anything(const Seen& seen, Scale scale) {
  return std::log(seen.absent ? kAbsentUnknown : (1 - kAbsentUnknown) / span(scale));
}

double log_likelihood(const Expectation& expected, const Expectation& healthy, const Seen& seen,
                      Scale scale) {
  const double anything = std::exp(log_likelihood_of_anything(seen, scale));
  if (expected.kind == Kind::unknown) {
    const double good = std::exp(log_likelihood(healthy, healthy, seen, scale));
    return std::log(0.5 * good + 0.5 * anything);
  }
  const double silent = expected.kind == Kind::absent ? kAbsentIndeed : kAbsentAnyhow;
  const double meant = seen.absent ? silent : (1 - silent) * value_density(expected, seen, scale);
  const double stray = scale == Scale::log_ohm ? kOutlierOhms : kOutlier;
  return std::log((1 - stray) * meant + stray * anything);
}

Expectation combine(const Expectation& one, const Expectation& other, const Expectation& healthy,
                    Scale scale) {
  if (one == healthy) return other;
  if (other == healthy) return one;
  Expectation out;
  if (one.kind == Kind::absent || other.kind == Kind::absent) {
    out.kind = Kind::absent;
  } else if (one.kind == Kind::near && other.kind == Kind::near && healthy.kind == Kind::near &&
             scale != Scale::yes_no) {
    out.centre = one.centre + other.centre - healthy.centre;
    out.spread = std::hypot(one.spread, other.spread);
  } else if (scale == Scale::yes_no) {
    // Each of the two makes the answer another than a good board's.
    out = one;
  } else if (scale == Scale::log_ohm) {
    // The wider of the two: shorts stay shorts, opens stay opens.
    out = one;
    if (one.kind == Kind::near && other.kind != Kind::near) out = other;
  } else {
    out.kind = Kind::unknown;
  }
  return out;
}

Seen representative(const Expectation& expected, const Expectation& healthy, Scale scale) {
  Seen out;
  switch (expected.kind) {
    case Kind::near: out.value = expected.centre; break;
    case Kind::between: out.value = 0.5 * (expected.from + expected.to); break;
    case Kind::absent: out.absent = true; break;
    case Kind::unknown:
      out.value = healthy.kind == Kind::near ? healthy.centre + span(scale) / 12
                                             : healthy.to + span(scale) / 12;
      break;
  }
  return out;
}

}  // namespace nightbench::diagnosis
