#include "sequences/script/unroll.hpp"

#include <limits>

namespace nightbench::script {

std::uint64_t product(std::uint64_t a, std::uint64_t b) {
  constexpr std::uint64_t kMost = std::numeric_limits<std::uint64_t>::max();
  return b != 0 && a > kMost / b ? kMost : a * b;
}
std::uint64_t sum(std::uint64_t a, std::uint64_t b) {
  constexpr std::uint64_t kMost = std::numeric_limits<std::uint64_t>::max();
  return a > kMost - b ? kMost : a + b;
}

std::uint64_t combinations(const SweepStep& sweep) {
  std::uint64_t all = 1;
  for (const Range& range : sweep.over) all = product(all, range.values.size());
  return all;
}

void choose(const SweepStep& sweep, std::uint64_t n, Intent& intent) {
  for (auto range = sweep.over.rbegin(); range != sweep.over.rend(); ++range) {
    const double value = range->values[n % range->values.size()];
    n /= range->values.size();
    switch (range->axis) {
      case Axis::rf: intent.rf_hz = value; break;
      case Axis::offset: intent.offset_hz = value; break;
      case Axis::level:
        intent.level_dbm = value;
        intent.level_known = true;
        break;
    }
  }
  intent.rf_on = true;
  intent.lo_on = true;
}

void apply(const PowerStep& power, const BoardType& type, Intent& intent) {
  intent.supply_on = power.on;
  if (!power.on) return;
  intent.supply_v = power.volts.value_or(type.supply_v);
  intent.supply_limit_a = power.limit_a.value_or(type.supply_limit_a);
  intent.soft_start_s = power.soft_start_s;
}

void apply(const DriveStep& drive, Intent& intent) {
  if (drive.rf_hz) intent.rf_hz = *drive.rf_hz;
  if (drive.level_dbm) {
    intent.level_dbm = *drive.level_dbm;
    intent.level_known = true;
  }
  if (drive.offset_hz) intent.offset_hz = *drive.offset_hz;
  if (drive.lo_hz) {
    intent.lo_fixed_hz = *drive.lo_hz;
    intent.offset_hz = 0;
  }
  intent.rf_on = drive.rf_on.value_or(drive.rf_hz || drive.level_dbm ? true : intent.rf_on);
  intent.lo_on = drive.lo_on.value_or(drive.lo_hz || drive.offset_hz ? true : intent.lo_on);
}

Intent beside_harmonic(const Intent& intent, int harmonic) {
  Intent out = intent;
  out.lo_fixed_hz = intent.lo_hz();
  out.offset_hz = 0;
  out.rf_hz = harmonic * out.lo_fixed_hz + (intent.rf_hz - out.lo_fixed_hz);
  out.harmonic = harmonic;
  return out;
}

void leave(const Step& step, const BoardType& type, Intent& intent) {
  if (const auto* power = std::get_if<PowerStep>(&step.what)) apply(*power, type, intent);
  if (const auto* drive = std::get_if<DriveStep>(&step.what)) apply(*drive, intent);
  if (const auto* repeat = std::get_if<RepeatStep>(&step.what)) leave(repeat->body, type, intent);
  if (const auto* sweep = std::get_if<SweepStep>(&step.what)) {
    choose(*sweep, combinations(*sweep) - 1, intent);
    leave(sweep->body, type, intent);
  }
}

void leave(const std::vector<Step>& steps, const BoardType& type, Intent& intent) {
  for (const Step& step : steps) leave(step, type, intent);
}

}  // namespace nightbench::script
