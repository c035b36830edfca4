#include "mock_instruments/board/board_values.hpp"

#include <array>
#include <span>
#include <string>

namespace nightbench::mock::board {

namespace {

// What a value may be: resistances and the like above zero, others from zero, the rest anything.
enum class Range { positive, not_negative, any };

template <typename Owner>
struct Value {
  const char* name;
  double Owner::* member;
  Unit unit;
  Range range;
};

using enum Range;

constexpr std::array<Value<StageParameters>, 7> stage_values{{
    {"plus_input_ohm", &StageParameters::plus_input_ohm, Unit::ohm, positive},
    {"minus_input_ohm", &StageParameters::minus_input_ohm, Unit::ohm, positive},
    {"plus_feedback_ohm", &StageParameters::plus_feedback_ohm, Unit::ohm, positive},
    {"minus_feedback_ohm", &StageParameters::minus_feedback_ohm, Unit::ohm, positive},
    {"plus_feedback_farad", &StageParameters::plus_feedback_farad, Unit::one, positive},
    {"minus_feedback_farad", &StageParameters::minus_feedback_farad, Unit::one, positive},
    {"offset_v", &StageParameters::offset_v, Unit::volt, any},
}};

constexpr std::array<Value<Parameters>, 40> board_values{{
    {"source_ohm", &Parameters::source_ohm, Unit::ohm, positive},
    {"filter_centre_hz", &Parameters::filter_centre_hz, Unit::hertz, positive},
    {"filter_bandwidth_hz", &Parameters::filter_bandwidth_hz, Unit::hertz, positive},
    {"filter_ohm", &Parameters::filter_ohm, Unit::ohm, positive},
    {"filter_q", &Parameters::filter_q, Unit::one, positive},
    {"winding_henry", &Parameters::winding_henry, Unit::one, positive},
    {"winding_ohm", &Parameters::winding_ohm, Unit::ohm, not_negative},
    {"core_loss_ohm", &Parameters::core_loss_ohm, Unit::ohm, positive},
    {"switch_on_ohm", &Parameters::switch_on_ohm, Unit::ohm, positive},
    {"switch_off_ohm", &Parameters::switch_off_ohm, Unit::ohm, positive},
    {"switch_input_farad", &Parameters::switch_input_farad, Unit::one, positive},
    {"switch_pin_farad", &Parameters::switch_pin_farad, Unit::one, positive},
    {"wire_ohm", &Parameters::wire_ohm, Unit::ohm, positive},
    {"select_threshold_v", &Parameters::select_threshold_v, Unit::volt, positive},
    {"select_dead_v", &Parameters::select_dead_v, Unit::volt, not_negative},
    {"open_loop_gain", &Parameters::open_loop_gain, Unit::one, positive},
    {"gain_bandwidth_hz", &Parameters::gain_bandwidth_hz, Unit::hertz, positive},
    {"op_amp_output_ohm", &Parameters::op_amp_output_ohm, Unit::ohm, positive},
    {"op_amp_input_farad", &Parameters::op_amp_input_farad, Unit::one, positive},
    {"op_amp_input_ohm", &Parameters::op_amp_input_ohm, Unit::ohm, positive},
    {"swing_low_v", &Parameters::swing_low_v, Unit::volt, not_negative},
    {"swing_high_v", &Parameters::swing_high_v, Unit::volt, not_negative},
    {"output_load_ohm", &Parameters::output_load_ohm, Unit::ohm, positive},
    {"op_amp_noise_v_per_rthz", &Parameters::op_amp_noise_v_per_rthz, Unit::one, not_negative},
    {"bias_fraction", &Parameters::bias_fraction, Unit::one, not_negative},
    {"bias_ohm", &Parameters::bias_ohm, Unit::ohm, positive},
    {"bias_farad", &Parameters::bias_farad, Unit::one, positive},
    {"supply_series_ohm", &Parameters::supply_series_ohm, Unit::ohm, not_negative},
    {"regulator_v", &Parameters::regulator_v, Unit::volt, not_negative},
    {"regulator_dropout_v", &Parameters::regulator_dropout_v, Unit::volt, not_negative},
    {"regulator_limit_a", &Parameters::regulator_limit_a, Unit::ampere, positive},
    {"regulator_own_a", &Parameters::regulator_own_a, Unit::ampere, not_negative},
    {"op_amp_supply_a", &Parameters::op_amp_supply_a, Unit::ampere, not_negative},
    {"switch_static_a", &Parameters::switch_static_a, Unit::ampere, not_negative},
    {"switch_farad", &Parameters::switch_farad, Unit::one, not_negative},
    {"lo_phase_error_deg", &Parameters::lo_phase_error_deg, Unit::degree, any},
    {"lo_edge_s", &Parameters::lo_edge_s, Unit::second, not_negative},
    {"lo_frequency_error_ppm", &Parameters::lo_frequency_error_ppm, Unit::ppm, any},
    {"lo_level_factor", &Parameters::lo_level_factor, Unit::one, not_negative},
    {"select_pull_ohm", &Parameters::select_pull_ohm, Unit::ohm, positive},
}};

Result<void> read_number(const json::Node& node, Unit unit, Range range, double& out) {
  TRY_ASSIGN(const double value, node.quantity(unit));
  if (range == positive && !(value > 0.0)) return node.wrong("a value above zero");
  if (range == not_negative && !(value >= 0.0)) return node.wrong("a value of zero or more");
  out = value;
  return {};
}

template <typename Owner>
Result<void> read_values(json::Fields& fields, std::span<const Value<Owner>> values, Owner& out) {
  for (const Value<Owner>& value : values) {
    if (const auto node = fields.find(value.name)) {
      TRY(read_number(*node, value.unit, value.range, out.*value.member));
    }
  }
  return {};
}

Result<void> read_list(json::Fields& fields, const char* name, Unit unit, std::span<double> out) {
  const auto node = fields.find(name);
  if (!node) return {};
  TRY_ASSIGN(const auto elements, node->elements());
  if (elements.size() != out.size()) {
    return node->wrong("a list of " + std::to_string(out.size()) + " values");
  }
  for (std::size_t k = 0; k < out.size(); ++k) {
    TRY(read_number(elements[k], unit, positive, out[k]));
  }
  return {};
}

Result<void> read_stage(json::Fields& fields, const char* name, StageParameters& out) {
  const auto node = fields.find(name);
  if (!node) return {};
  TRY_ASSIGN(json::Fields inner, json::Fields::of(*node, "an output stage"));
  TRY(read_values<StageParameters>(inner, stage_values, out));
  return inner.finish();
}

// Values that are right alone and impossible in their place.
Result<void> check_ranges(const json::Node& node, const Parameters& board) {
  if (board.bias_fraction >= 1.0) return node.refuse("bias_fraction must be below 1");
  if (board.coupling >= 1.0 || board.coupling < 0.0) {
    return node.refuse("coupling must lie from 0 to below 1");
  }
  for (const double duty : board.lo_duty) {
    if (duty < 0.05 || duty > 0.95) return node.refuse("lo_duty must lie from 0.05 to 0.95");
  }
  return {};
}

}  // namespace

Result<void> decode_values(const json::Node& node, Parameters& board) {
  TRY_ASSIGN(json::Fields fields, json::Fields::of(node, "the values of a board"));
  Parameters out = board;
  TRY(read_values<Parameters>(fields, board_values, out));
  if (const auto coupling = fields.find("coupling")) {
    TRY(read_number(*coupling, Unit::one, not_negative, out.coupling));
  }
  TRY(read_list(fields, "sampling_farad", Unit::one, out.sampling_farad));
  TRY(read_list(fields, "path_ohm", Unit::ohm, out.path_ohm));
  TRY(read_list(fields, "lo_duty", Unit::one, out.lo_duty));
  TRY(read_list(fields, "filter_inductor_factor", Unit::one, out.filter_inductor_factor));
  TRY(read_list(fields, "filter_capacitor_factor", Unit::one, out.filter_capacitor_factor));
  TRY(read_stage(fields, "i_stage", out.i_stage));
  TRY(read_stage(fields, "q_stage", out.q_stage));
  TRY_ASSIGN(out.select_pull_up, fields.boolean("select_pull_up", out.select_pull_up));
  TRY(fields.finish());
  TRY(check_ranges(node, out));
  board = out;
  return {};
}

}  // namespace nightbench::mock::board
