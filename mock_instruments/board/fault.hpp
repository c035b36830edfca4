// What can be wrong with a board: each kind edits values or wiring, so any combination is right.
//
// A fault is plain data; board files name it by the words of name() below.
// docs/reference/faults.md lists what each does at every test point; a test keeps it true.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <span>
#include <string_view>

#include "drivers/base/error.hpp"
#include "mock_instruments/board/parameters.hpp"

namespace nightbench::mock::board {

enum class FaultKind : std::uint8_t {
  switch_reversed,      // U1 turned round: it conducts backwards from its supply pin
  op_amp_reversed,      // U2 turned round: the same on the supply input
  winding_reversed,     // winding
  via_open,             // pin: its wire to the capacitor (one leg of a cross-connection) is open
  pins_interchanged,    // pin, other_pin: their wires go to each other's place
  pairs_swapped,        // phase, other_phase: both wires of each pair go to the other's capacitor
  capacitor_open,       // phase
  capacitor_shorted,    // phase
  capacitor_off_value,  // phase, factor
  capacitor_path_open,  // phase: between the switch and its capacitor with amplifier
  splitter_end_open,    // winding: phase_half or antiphase_half (primary: no RF at all)
  bias_off,             // no mid-rail: the divider's upper resistor is open
  bias_low,             // factor
  supply_low,           // factor: the supply input sees this part of what is applied
  regulator_dead,
  lo_missing,  // pin 14 or 2, stuck_high
  lo_swapped,
  lo_in_phase,        // both select pins carry the line of pin 14
  lo_phase_error,     // degrees: pin 2 later than it should be
  lo_duty,            // pin 14, 2, or 0 for both; factor: duty from 0.05 to 0.95
  op_amp_dead,        // channel: no output
  op_amp_input_open,  // channel, inverting: the resistor to that input is open
  gain_resistor_off,  // channel, inverting, factor: the feedback resistor
  cold_joint,         // joint, ohm; intermittent when open_fraction > 0
  filter_detuned,     // factor: centre frequency over what it should be
  supply_short,       // rail, ohm
};

enum class Winding : std::uint8_t { primary, phase_half, antiphase_half };
enum class Rail : std::uint8_t { supply_in, op_amp, switch_logic };
enum class Joint : std::uint8_t {
  rf_in,
  phase_end,
  antiphase_end,
  path_0,
  path_90,
  path_180,
  path_270,
  i_plus_input,
  i_minus_input,
  q_plus_input,
  q_minus_input,
  mid_rail,
  supply,
};

struct Fault {
  FaultKind kind = FaultKind::lo_swapped;
  int pin = 0;
  int other_pin = 0;
  Phase phase = Phase::deg_0;
  Phase other_phase = Phase::deg_0;
  Channel channel = Channel::i;
  Winding winding = Winding::antiphase_half;
  Rail rail = Rail::supply_in;
  Joint joint = Joint::rf_in;
  bool inverting = false;
  bool stuck_high = false;
  double factor = 1.0;
  double degrees = 0.0;
  double ohm = 0.0;
  // Intermittent joint: the part of the time it is open, and how long a state lasts at least.
  double open_fraction = 0.0;
  double dwell_s = 0.1;
};

// "via-open" and back: the words used in board files and documents.
std::string_view name(FaultKind kind);
std::optional<FaultKind> find_fault_kind(std::string_view name);
std::span<const FaultKind> fault_kinds();

// What is wrong with the fault's own numbers (a pin that is no switch output, a factor below 0
// ...).
Result<void> check(const Fault& fault);

}  // namespace nightbench::mock::board
