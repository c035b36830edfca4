#include "sequences/engine/capture_plan.hpp"

#include <algorithm>
#include <cmath>

namespace nightbench::engine {
namespace {

constexpr double kAim = 0.70;        // of full scale, peak to peak
constexpr double kLeast = 0.30;
constexpr double kUnknown_v = 4.0;   // full scale to start from when nothing is known
constexpr double kSmallest_v = 8e-3;  // 1 mV a division: no common scope goes below
constexpr double kLargest_v = 80.0;
constexpr double kFewestPeriods = 10;

double step(double value, bool up) {
  const double decade = std::pow(10.0, std::floor(std::log10(value)));
  const double slack = 1e-9;  // a value that is a step but for rounding is that step
  if (up) {
    for (const double each : {1.0, 2.0, 5.0, 10.0}) {
      if (each * decade >= value * (1 - slack)) return each * decade;
    }
    return 10 * decade;
  }
  for (const double each : {10.0, 5.0, 2.0}) {
    if (each * decade <= value * (1 + slack)) return each * decade;
  }
  return decade;
}

}  // namespace

double step_at_or_below(double value) { return step(value, false); }
double step_at_or_above(double value) { return step(value, true); }

CaptureSettings plan_capture(const Expectation& expected) {
  CaptureSettings settings;
  settings.points = expected.points;
  const double periods = std::max(expected.periods, kFewestPeriods);
  const double points = static_cast<double>(expected.points);
  // The step below the wanted rate holds up to 2.5 times the periods; the step above could hold
  // fewer than are needed.
  settings.sample_rate_hz = step_at_or_below(points * expected.if_hz / periods);
  settings.full_scale_v =
      expected.amplitude_v > 0 ? 2 * expected.amplitude_v / kAim : kUnknown_v;
  settings.full_scale_v = std::clamp(settings.full_scale_v, kSmallest_v, kLargest_v);
  settings.offset_v = expected.offset_v;
  return settings;
}

CaptureSettings keep_standing(const CaptureSettings& wanted, const CaptureSettings& standing,
                              double actual_full_scale_v, const Expectation& expected) {
  constexpr double kTooSmall = 0.35;  // of full scale, peak to peak
  constexpr double kTooLarge = 0.80;
  constexpr double kOffCentre = 0.05;
  if (wanted.sample_rate_hz != standing.sample_rate_hz || wanted.points != standing.points) {
    return wanted;
  }
  const double span_v = 2 * expected.amplitude_v;
  const bool fits = span_v >= kTooSmall * actual_full_scale_v &&
                    span_v <= kTooLarge * actual_full_scale_v &&
                    std::fabs(expected.offset_v - standing.offset_v) <= kOffCentre * actual_full_scale_v;
  return fits ? standing : wanted;
}

std::optional<CaptureSettings> replan(const CaptureSettings& settings, double actual_full_scale_v,
                                      const Seen& seen) {
  CaptureSettings next = settings;
  const double middle = 0.5 * (seen.lowest_v + seen.highest_v);
  if (seen.clipped) {
    if (actual_full_scale_v >= kLargest_v) return std::nullopt;
    next.full_scale_v = std::min(2.5 * actual_full_scale_v, kLargest_v);
    return next;
  }
  if (seen.widest_v >= kLeast * actual_full_scale_v || actual_full_scale_v <= kSmallest_v) {
    return std::nullopt;
  }
  // The channels may sit at different DC: the range must hold both.
  const double span = std::max(seen.highest_v - seen.lowest_v, seen.widest_v);
  next.full_scale_v = std::clamp(span / kAim, kSmallest_v, kLargest_v);
  next.offset_v = middle;
  if (next.full_scale_v > 0.6 * actual_full_scale_v) return std::nullopt;  // no step in between
  // Asking for the same again would give the same: the scope has no step nearer to it.
  if (next.full_scale_v > 0.99 * settings.full_scale_v) return std::nullopt;
  return next;
}

}  // namespace nightbench::engine
