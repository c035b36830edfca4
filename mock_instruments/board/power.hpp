// The board's supplies: volts and currents of its rails, with shorts, reversed parts, regulator.
#pragma once

#include "mock_instruments/board/assembly.hpp"
#include "mock_instruments/board/stimulus.hpp"

namespace nightbench::mock::board {

struct PowerState {
  double supply_in_v = 0.0;  // at the board's terminal
  double op_amp_v = 0.0;     // at the op-amp, behind a bad joint
  double switch_v = 0.0;
  double supply_in_a = 0.0;
  double op_amp_a = 0.0;
  double switch_a = 0.0;
  bool op_amp_works = false;
  bool switch_works = false;
};

// With `supply_v` applied at the terminal (0: off). The LO sets the switch's dynamic current.
PowerState power_state(const Assembly& board, const Stimulus& stimulus, double supply_v);

// The volts that the stimulus applies: 0 when its supply is off.
double applied_supply_v(const Assembly& board, const Stimulus& stimulus);

// The volts at the terminal when the supply gives limit_a at most.
double limited_supply_v(const Assembly& board, const Stimulus& stimulus, double limit_a);

// Volts at supply_in, op_amp_supply, switch_supply; 0 elsewhere.
double supply_volts(const PowerState& power, TestPoint point);

}  // namespace nightbench::mock::board
