#include "mock_instruments/board/power.hpp"

#include <algorithm>
#include <cmath>

namespace nightbench::mock::board {

namespace {

// Substrate diode of a chip that is fed backwards.
constexpr double diode_v = 0.8;
constexpr double op_amp_diode_ohm = 2.0;
constexpr double switch_diode_ohm = 5.0;
// Below these the parts do not work (the op-amp's headrooms; the pass transistors' drive).
constexpr double op_amp_least_v = 2.7;
constexpr double switch_least_v = 2.6;

double short_a(const Assembly& board, Rail rail, double volts) {
  return board.short_siemens[static_cast<std::size_t>(rail)] * volts;
}

double switch_load_a(const Assembly& board, const Stimulus& stimulus, double volts) {
  const Parameters& values = board.values;
  // The divider: two resistors in series whose parallel value is bias_ohm.
  const double share = values.bias_fraction;
  double amperes = short_a(board, Rail::switch_logic, volts);
  if (!board.bias_open) amperes += volts * share * (1.0 - share) / values.bias_ohm;
  if (board.switch_reversed) return amperes + std::max(0.0, volts - diode_v) / switch_diode_ohm;
  const double working = std::clamp(volts / switch_least_v, 0.0, 1.0);
  amperes += working * values.switch_static_a;
  if (stimulus.lo_on) amperes += working * values.switch_farad * volts * stimulus.lo_hz;
  return amperes;
}

// The largest x in [0, most] with load(x) <= limit; load rises with x.
template <typename Load>
double limited(double most, double limit, Load load) {
  if (load(most) <= limit) return most;
  double low = 0.0;
  double high = most;
  for (int step = 0; step < 60; ++step) {
    const double middle = (low + high) / 2;
    (load(middle) <= limit ? low : high) = middle;
  }
  return low;
}

void feed_switch(const Assembly& board, const Stimulus& stimulus, PowerState& out) {
  const Parameters& values = board.values;
  const auto load = [&](double volts) { return switch_load_a(board, stimulus, volts); };
  if (stimulus.switch_supply_v.has_value()) {
    out.switch_v = stimulus.supply_on ? *stimulus.switch_supply_v : 0.0;
  } else if (!board.regulator_dead) {
    const double most =
        std::clamp(out.op_amp_v - values.regulator_dropout_v, 0.0, values.regulator_v);
    out.switch_v = limited(most, values.regulator_limit_a, load);
  }
  out.switch_a = load(out.switch_v);
}

// Everything behind the joint of the supply, at `volts`.
void feed(const Assembly& board, const Stimulus& stimulus, double volts, PowerState& out) {
  const Parameters& values = board.values;
  out.op_amp_v = volts;
  if (board.op_amp_reversed) {
    out.op_amp_a = std::max(0.0, volts - diode_v) / op_amp_diode_ohm;
  } else {
    out.op_amp_a = values.op_amp_supply_a * std::clamp(volts / op_amp_least_v, 0.0, 1.0);
  }
  feed_switch(board, stimulus, out);
  out.supply_in_a =
      out.op_amp_a + short_a(board, Rail::supply_in, volts) + short_a(board, Rail::op_amp, volts);
  if (!stimulus.switch_supply_v.has_value()) {
    out.supply_in_a += out.switch_a;
    if (!board.regulator_dead) {
      out.supply_in_a += values.regulator_own_a * std::clamp(volts / 2.0, 0.0, 1.0);
    }
  }
}

}  // namespace

double applied_supply_v(const Assembly& board, const Stimulus& stimulus) {
  return stimulus.supply_on ? std::max(0.0, stimulus.supply_v) * board.supply_factor : 0.0;
}

PowerState power_state(const Assembly& board, const Stimulus& stimulus, double supply_v) {
  PowerState out;
  out.supply_in_v = supply_v;
  const auto joint = static_cast<std::size_t>(Joint::supply);
  const double series = board.values.supply_series_ohm + board.joint_ohm[joint];
  if (board.joint_open[joint]) {
    feed(board, stimulus, 0.0, out);
  } else if (series <= 0.0) {
    feed(board, stimulus, supply_v, out);
  } else {
    // volts + series x current(volts) rises with volts; it must equal what is applied.
    const double volts = limited(supply_v, supply_v, [&](double x) {
      PowerState trial;
      feed(board, stimulus, x, trial);
      return x + series * trial.supply_in_a;
    });
    feed(board, stimulus, volts, out);
  }
  out.op_amp_works = !board.op_amp_reversed && out.op_amp_v >= op_amp_least_v;
  out.switch_works = !board.switch_reversed && out.switch_v >= switch_least_v;
  return out;
}

double limited_supply_v(const Assembly& board, const Stimulus& stimulus, double limit_a) {
  return limited(applied_supply_v(board, stimulus), limit_a,
                 [&](double volts) { return power_state(board, stimulus, volts).supply_in_a; });
}

double supply_volts(const PowerState& power, TestPoint point) {
  switch (point) {
    case TestPoint::supply_in:
      return power.supply_in_v;
    case TestPoint::op_amp_supply:
      return power.op_amp_v;
    case TestPoint::switch_supply:
      return power.switch_v;
    default:
      return 0.0;
  }
}

}  // namespace nightbench::mock::board
