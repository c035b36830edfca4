#include "mock_instruments/board/fault.hpp"

#include <algorithm>
#include <cmath>
#include <string>
#include <utility>

#include "mock_instruments/board/assembly.hpp"

namespace nightbench::mock::board {

namespace {

constexpr std::array<std::pair<FaultKind, std::string_view>, 26> names{{
    {FaultKind::switch_reversed, "switch-reversed"},
    {FaultKind::op_amp_reversed, "op-amp-reversed"},
    {FaultKind::winding_reversed, "winding-reversed"},
    {FaultKind::via_open, "via-open"},
    {FaultKind::pins_interchanged, "pins-interchanged"},
    {FaultKind::pairs_swapped, "pairs-swapped"},
    {FaultKind::capacitor_open, "capacitor-open"},
    {FaultKind::capacitor_shorted, "capacitor-shorted"},
    {FaultKind::capacitor_off_value, "capacitor-off-value"},
    {FaultKind::capacitor_path_open, "capacitor-path-open"},
    {FaultKind::splitter_end_open, "splitter-end-open"},
    {FaultKind::bias_off, "bias-off"},
    {FaultKind::bias_low, "bias-low"},
    {FaultKind::supply_low, "supply-low"},
    {FaultKind::regulator_dead, "regulator-dead"},
    {FaultKind::lo_missing, "lo-missing"},
    {FaultKind::lo_swapped, "lo-swapped"},
    {FaultKind::lo_in_phase, "lo-in-phase"},
    {FaultKind::lo_phase_error, "lo-phase-error"},
    {FaultKind::lo_duty, "lo-duty"},
    {FaultKind::op_amp_dead, "op-amp-dead"},
    {FaultKind::op_amp_input_open, "op-amp-input-open"},
    {FaultKind::gain_resistor_off, "gain-resistor-off"},
    {FaultKind::cold_joint, "cold-joint"},
    {FaultKind::filter_detuned, "filter-detuned"},
    {FaultKind::supply_short, "supply-short"},
}};

constexpr auto kinds = [] {
  std::array<FaultKind, names.size()> out{};
  for (std::size_t k = 0; k < names.size(); ++k) out[k] = names[k].first;
  return out;
}();

std::unexpected<Error> wrong(const Fault& fault, std::string_view why) {
  return fail(ErrorKind::bad_input,
              "fault " + std::string(name(fault.kind)) + ": " + std::string(why));
}

// A factor of 1 is what a forgotten member gives; a fault that changes nothing is a mistake.
Result<void> check_factor(const Fault& fault, double least, double most) {
  if (fault.factor == 1.0) return wrong(fault, "a factor other than 1 is needed");
  if (fault.factor >= least && fault.factor <= most) return {};
  return wrong(fault,
               "the factor must lie from " + std::to_string(least) + " to " + std::to_string(most));
}

Result<void> check_output_pin(const Fault& fault, int pin) {
  if (switch_output(pin) >= 0) return {};
  return wrong(fault, "pin " + std::to_string(pin) + " is no switch output (3 to 6, 10 to 13)");
}

}  // namespace

std::string_view name(FaultKind kind) {
  return names[static_cast<std::size_t>(kind)].second;
}

std::optional<FaultKind> find_fault_kind(std::string_view word) {
  const auto* found =
      std::ranges::find(names, word, &std::pair<FaultKind, std::string_view>::second);
  if (found == names.end()) return std::nullopt;
  return found->first;
}

std::span<const FaultKind> fault_kinds() {
  return kinds;
}

Result<void> check(const Fault& fault) {
  switch (fault.kind) {
    case FaultKind::via_open:
      return check_output_pin(fault, fault.pin);
    case FaultKind::pins_interchanged:
      TRY(check_output_pin(fault, fault.pin));
      TRY(check_output_pin(fault, fault.other_pin));
      if (fault.pin == fault.other_pin) return wrong(fault, "the two pins are the same");
      return {};
    case FaultKind::pairs_swapped:
      if (fault.phase == fault.other_phase) return wrong(fault, "the two pairs are the same");
      return {};
    case FaultKind::capacitor_off_value:
    case FaultKind::gain_resistor_off:
      return check_factor(fault, 0.01, 100.0);
    case FaultKind::bias_low:
    case FaultKind::supply_low:
      return check_factor(fault, 0.0, 1.0);
    case FaultKind::filter_detuned:
      return check_factor(fault, 0.5, 2.0);
    case FaultKind::lo_missing:
      if (fault.pin != 14 && fault.pin != 2) return wrong(fault, "the pin must be 14 or 2");
      return {};
    case FaultKind::lo_phase_error:
      if (!(std::abs(fault.degrees) <= 180.0)) return wrong(fault, "more than 180 degrees");
      if (fault.degrees == 0.0) return wrong(fault, "degrees other than 0 are needed");
      return {};
    case FaultKind::lo_duty:
      if (fault.pin != 0 && fault.pin != 14 && fault.pin != 2) {
        return wrong(fault, "the pin must be 14, 2, or 0 for both");
      }
      return check_factor(fault, 0.05, 0.95);
    case FaultKind::cold_joint:
      if (!(fault.ohm >= 0.0 && fault.ohm <= 1e6)) return wrong(fault, "0 to 1 Mohm expected");
      if (fault.ohm == 0.0 && fault.open_fraction == 0.0) {
        return wrong(fault, "ohm or open_fraction is needed");
      }
      if (!(fault.open_fraction >= 0.0 && fault.open_fraction <= 1.0)) {
        return wrong(fault, "the open part of the time must lie from 0 to 1");
      }
      if (!(fault.dwell_s >= 1e-6)) return wrong(fault, "a state must last 1 us or more");
      return {};
    case FaultKind::supply_short:
      if (!(fault.ohm >= 0.01 && fault.ohm <= 1e6))
        return wrong(fault, "0.01 ohm to 1 Mohm expected");
      return {};
    default:
      return {};
  }
}

}  // namespace nightbench::mock::board
