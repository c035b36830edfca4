// A board as it was really put together: values and wiring after the faults have been applied.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <span>

#include "mock_instruments/board/fault.hpp"
#include "mock_instruments/board/parameters.hpp"

namespace nightbench::mock::board {

inline constexpr std::array<int, 8> switch_pins{6, 5, 4, 3, 10, 11, 12, 13};
inline constexpr int joint_count = 13;

struct Assembly {
  Parameters values;

  // Where the wire of each of switch_pins goes: a phase's capacitor path, or nowhere.
  std::array<std::optional<Phase>, 8> wire;
  std::array<bool, 3> winding_reversed{};
  std::array<bool, 3> winding_open{};
  std::array<bool, 4> path_open{};
  std::array<bool, 4> capacitor_open{};
  std::array<bool, 4> capacitor_shorted{};
  std::array<double, joint_count> joint_ohm{};  // extra series resistance
  std::array<bool, joint_count> joint_open{};

  std::array<bool, 2> op_amp_dead{};
  std::array<std::array<bool, 2>, 2> input_open{};  // [channel][inverting]
  bool bias_open = false;

  std::array<std::optional<bool>, 2> select_stuck;  // pin 14, pin 2; true is high
  bool lo_swapped = false;
  bool lo_in_phase = false;

  double supply_factor = 1.0;
  bool regulator_dead = false;
  bool switch_reversed = false;
  bool op_amp_reversed = false;
  std::array<double, 3> short_siemens{};  // by Rail
};

// The index of a switch output in switch_pins, -1 for other pins.
int switch_output(int pin);

// Bit k of `joints_open`: the k-th intermittent fault's joint is open at this moment.
Assembly assemble(const Parameters& parameters, std::span<const Fault> faults,
                  std::uint32_t joints_open = 0);

}  // namespace nightbench::mock::board
