#include "mock_instruments/board/assembly.hpp"

#include <algorithm>

namespace nightbench::mock::board {

namespace {

std::size_t at(Phase phase) {
  return static_cast<std::size_t>(phase);
}
std::size_t at(Channel channel) {
  return static_cast<std::size_t>(channel);
}
std::size_t at(Winding winding) {
  return static_cast<std::size_t>(winding);
}
std::size_t at(Joint joint) {
  return static_cast<std::size_t>(joint);
}

StageParameters& stage(Parameters& values, Channel channel) {
  return channel == Channel::i ? values.i_stage : values.q_stage;
}

// Cross-connections: 6-13 (0 deg), 5-12 (90), 3-10 (180), 4-11 (270), in the order of switch_pins.
constexpr std::array<Phase, 8> right_wires{Phase::deg_0,   Phase::deg_90,  Phase::deg_270,
                                           Phase::deg_180, Phase::deg_180, Phase::deg_270,
                                           Phase::deg_90,  Phase::deg_0};

void apply_wiring(Assembly& board, const Fault& fault) {
  auto& wire = board.wire;
  switch (fault.kind) {
    case FaultKind::via_open:
      wire[static_cast<std::size_t>(switch_output(fault.pin))].reset();
      break;
    case FaultKind::pins_interchanged:
      std::swap(wire[static_cast<std::size_t>(switch_output(fault.pin))],
                wire[static_cast<std::size_t>(switch_output(fault.other_pin))]);
      break;
    case FaultKind::pairs_swapped:
      for (auto& end : wire) {
        if (end == fault.phase) {
          end = fault.other_phase;
        } else if (end == fault.other_phase) {
          end = fault.phase;
        }
      }
      break;
    case FaultKind::winding_reversed:
      board.winding_reversed[at(fault.winding)] ^= true;
      break;
    case FaultKind::splitter_end_open:
      board.winding_open[at(fault.winding)] = true;
      break;
    case FaultKind::capacitor_open:
      board.capacitor_open[at(fault.phase)] = true;
      break;
    case FaultKind::capacitor_shorted:
      board.capacitor_shorted[at(fault.phase)] = true;
      break;
    case FaultKind::capacitor_path_open:
      board.path_open[at(fault.phase)] = true;
      break;
    case FaultKind::op_amp_dead:
      board.op_amp_dead[at(fault.channel)] = true;
      break;
    case FaultKind::op_amp_input_open:
      board.input_open[at(fault.channel)][fault.inverting ? 1 : 0] = true;
      break;
    default:
      break;
  }
}

void apply_values(Assembly& board, const Fault& fault) {
  Parameters& values = board.values;
  switch (fault.kind) {
    case FaultKind::capacitor_off_value:
      values.sampling_farad[at(fault.phase)] *= fault.factor;
      break;
    case FaultKind::bias_low:
      values.bias_fraction *= fault.factor;
      break;
    case FaultKind::lo_phase_error:
      values.lo_phase_error_deg += fault.degrees;
      break;
    case FaultKind::lo_duty:
      if (fault.pin != 2) values.lo_duty[0] = fault.factor;
      if (fault.pin != 14) values.lo_duty[1] = fault.factor;
      break;
    case FaultKind::gain_resistor_off:
      (fault.inverting ? stage(values, fault.channel).minus_feedback_ohm
                       : stage(values, fault.channel).plus_feedback_ohm) *= fault.factor;
      break;
    case FaultKind::filter_detuned:
      values.filter_centre_hz *= fault.factor;
      break;
    default:
      break;
  }
}

void apply_supply_and_lo(Assembly& board, const Fault& fault) {
  switch (fault.kind) {
    case FaultKind::switch_reversed:
      board.switch_reversed = true;
      break;
    case FaultKind::op_amp_reversed:
      board.op_amp_reversed = true;
      break;
    case FaultKind::bias_off:
      board.bias_open = true;
      break;
    case FaultKind::supply_low:
      board.supply_factor *= fault.factor;
      break;
    case FaultKind::regulator_dead:
      board.regulator_dead = true;
      break;
    case FaultKind::supply_short:
      board.short_siemens[static_cast<std::size_t>(fault.rail)] += 1.0 / fault.ohm;
      break;
    case FaultKind::lo_missing:
      board.select_stuck[fault.pin == 14 ? 0 : 1] = fault.stuck_high;
      break;
    case FaultKind::lo_swapped:
      board.lo_swapped = !board.lo_swapped;
      break;
    case FaultKind::lo_in_phase:
      board.lo_in_phase = true;
      break;
    default:
      break;
  }
}

}  // namespace

int switch_output(int pin) {
  const auto* found = std::ranges::find(switch_pins, pin);
  return found == switch_pins.end() ? -1 : static_cast<int>(found - switch_pins.begin());
}

Assembly assemble(const Parameters& parameters, std::span<const Fault> faults,
                  std::uint32_t joints_open) {
  Assembly board;
  board.values = parameters;
  for (std::size_t k = 0; k < right_wires.size(); ++k) board.wire[k] = right_wires[k];
  std::uint32_t intermittent = 0;
  for (const Fault& fault : faults) {
    apply_wiring(board, fault);
    apply_values(board, fault);
    apply_supply_and_lo(board, fault);
    if (fault.kind == FaultKind::cold_joint) {
      board.joint_ohm[at(fault.joint)] += fault.ohm;
      if (fault.open_fraction > 0) {
        if ((joints_open >> intermittent & 1U) != 0) board.joint_open[at(fault.joint)] = true;
        ++intermittent;
      }
    }
  }
  return board;
}

}  // namespace nightbench::mock::board
