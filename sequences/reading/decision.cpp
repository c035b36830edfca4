#include "sequences/reading/decision.hpp"

#include <fmt/core.h>

#include <algorithm>
#include <cmath>

namespace nightbench::reading {
namespace {

// For a lower limit: how good y is with the ends of its interval.
Verdict judge_lower(double value, const Interval& bounds, double limit) {
  if (bounds.low >= limit) return Verdict::pass;
  if (value >= limit) return Verdict::conditional_pass;
  if (bounds.high >= limit) return Verdict::conditional_fail;
  return Verdict::fail;
}

Verdict judge_upper(double value, const Interval& bounds, double limit) {
  return judge_lower(-value, Interval{-bounds.high, -bounds.low}, -limit);
}

int rank(Verdict verdict) {
  switch (verdict) {
    case Verdict::fail:
      return 0;
    case Verdict::conditional_fail:
      return 1;
    case Verdict::no_reading:
      return 2;
    case Verdict::conditional_pass:
      return 3;
    case Verdict::pass:
      return 4;
  }
  return 0;
}

std::string text(const Limits& limits) {
  if (limits.lower && limits.upper)
    return fmt::format("{:g} .. {:g}", *limits.lower, *limits.upper);
  if (limits.lower) return fmt::format("at least {:g}", *limits.lower);
  if (limits.upper) return fmt::format("at most {:g}", *limits.upper);
  return "none";
}

}  // namespace

const char* name(Verdict verdict) {
  switch (verdict) {
    case Verdict::pass:
      return "pass";
    case Verdict::conditional_pass:
      return "conditional pass";
    case Verdict::conditional_fail:
      return "conditional fail";
    case Verdict::fail:
      return "fail";
    case Verdict::no_reading:
      return "no reading";
  }
  return "unknown";
}

Verdict worse(Verdict a, Verdict b) {
  return rank(a) <= rank(b) ? a : b;
}

double conformity(double value, double u, const Limits& limits) {
  const auto below = [&](double limit) {
    if (u > 0.0) return normal_probability((limit - value) / u);
    return value <= limit ? 1.0 : 0.0;
  };
  const auto above = [&](double limit) {
    if (u > 0.0) return normal_probability((value - limit) / u);
    return value >= limit ? 1.0 : 0.0;
  };
  if (limits.lower && limits.upper) {
    return std::max(0.0, 1.0 - (1.0 - below(*limits.upper)) - (1.0 - above(*limits.lower)));
  }
  if (limits.lower) return above(*limits.lower);
  if (limits.upper) return below(*limits.upper);
  return 1.0;
}

double worst_false_accept(double guard_over_U) {
  return normal_probability(-2.0 * guard_over_U);
}

Decision decide(const Outcome& outcome, const Limits& limits) {
  if (outcome) return decide(*outcome, limits);
  Decision decision;
  decision.detail =
      fmt::format("not measured, {}: {}", name(outcome.error().reason), outcome.error().detail);
  return decision;
}

Decision decide(const Reading& reading, const Limits& limits) {
  Decision decision;
  if (!std::isfinite(reading.value)) {
    decision.detail = "not measured: the value is not a finite number";
    return decision;
  }
  const Interval bounds = reading.bounds();
  decision.verdict = Verdict::pass;
  if (limits.lower) {
    decision.verdict = worse(decision.verdict, judge_lower(reading.value, bounds, *limits.lower));
  }
  if (limits.upper) {
    decision.verdict = worse(decision.verdict, judge_upper(reading.value, bounds, *limits.upper));
  }
  decision.limits_too_close =
      limits.lower && limits.upper && bounds.high - bounds.low > *limits.upper - *limits.lower;
  // The side of the interval that faces the limits, as a standard uncertainty.
  double side = std::max(reading.value - bounds.low, bounds.high - reading.value);
  if (limits.lower && !limits.upper) {
    side =
        reading.value >= *limits.lower ? reading.value - bounds.low : bounds.high - reading.value;
  } else if (limits.upper && !limits.lower) {
    side =
        reading.value <= *limits.upper ? bounds.high - reading.value : reading.value - bounds.low;
  }
  if (std::isfinite(side))
    decision.conformity = conformity(reading.value, side / reading.k, limits);
  decision.detail = fmt::format(
      "ILAC-G8:09/2019 with w = U: {:.6g} {} in {:.6g} .. {:.6g} (k = {:.3g}), limit {}{}",
      reading.value, reading.unit, bounds.low, bounds.high, reading.k, text(limits),
      decision.limits_too_close ? "; limits closer together than 2 U" : "");
  return decision;
}

}  // namespace nightbench::reading
