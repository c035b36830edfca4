#include "mock_instruments/server/board_plan.hpp"

#include <string>
#include <utility>
#include <vector>

#include "mock_instruments/board/board_values.hpp"

namespace nightbench::mock::server {
namespace {

Result<void> read_phase(json::Fields& fields, const std::string& key, board::Phase& out) {
  const auto node = fields.find(key);
  if (!node) return {};
  TRY_ASSIGN(const long long degrees, node->integer(0, 270));
  if (degrees % 90 != 0) return node->wrong("0, 90, 180 or 270");
  out = static_cast<board::Phase>(degrees / 90);
  return {};
}

template <typename T>
Result<void> read_word(json::Fields& fields, const std::string& key,
                       const std::vector<std::string>& words, T& out) {
  const auto node = fields.find(key);
  if (!node) return {};
  TRY_ASSIGN(const std::size_t word, node->word(words));
  out = static_cast<T>(word);
  return {};
}

Result<board::Fault> decode_fault(const json::Node& node) {
  board::Fault out;
  TRY_ASSIGN(json::Fields fields, json::Fields::of(node, "a fault"));
  TRY_ASSIGN(const json::Node kind, fields.need("fault"));
  std::vector<std::string> words;
  for (const board::FaultKind each : board::fault_kinds()) words.emplace_back(board::name(each));
  TRY_ASSIGN(const std::size_t word, kind.word(words));
  out.kind = board::fault_kinds()[word];
  TRY_ASSIGN(const long long pin, fields.integer("pin", 0, 16, 0));
  TRY_ASSIGN(const long long other_pin, fields.integer("other_pin", 0, 16, 0));
  out.pin = static_cast<int>(pin);
  out.other_pin = static_cast<int>(other_pin);
  TRY(read_phase(fields, "phase", out.phase));
  TRY(read_phase(fields, "other_phase", out.other_phase));
  TRY(read_word(fields, "channel", {"i", "q"}, out.channel));
  TRY(read_word(fields, "winding", {"primary", "phase_half", "antiphase_half"}, out.winding));
  TRY(read_word(fields, "rail", {"supply_in", "op_amp", "switch_logic"}, out.rail));
  TRY(read_word(
      fields, "joint",
      {"rf_in", "phase_end", "antiphase_end", "path_0", "path_90", "path_180", "path_270",
       "i_plus_input", "i_minus_input", "q_plus_input", "q_minus_input", "mid_rail", "supply"},
      out.joint));
  TRY_ASSIGN(out.inverting, fields.boolean("inverting", false));
  TRY_ASSIGN(out.stuck_high, fields.boolean("stuck_high", false));
  TRY_ASSIGN(out.factor, fields.quantity("factor", Unit::one, 1.0));
  TRY_ASSIGN(out.degrees, fields.quantity("degrees", Unit::degree, 0.0));
  TRY_ASSIGN(out.ohm, fields.quantity("ohm", Unit::ohm, 0.0));
  TRY_ASSIGN(out.open_fraction, fields.quantity("open_fraction", Unit::one, 0.0));
  TRY_ASSIGN(out.dwell_s, fields.quantity("dwell", Unit::second, 0.1));
  TRY(fields.finish());
  const Result<void> sound = board::check(out);
  if (!sound) return node.refuse(sound.error().message);
  return out;
}

}  // namespace

Result<BoardPlan> decode_board(const std::string& serial, const json::Node& node) {
  BoardPlan out;
  out.serial = serial;
  TRY_ASSIGN(json::Fields fields, json::Fields::of(node, "a board"));
  TRY_ASSIGN(const json::Node design, fields.need("design"));
  TRY_ASSIGN(const std::size_t which, design.word({"30m", "10mhz"}));
  out.parameters = which == 0 ? board::healthy_30m() : board::healthy_10mhz();
  TRY_ASSIGN(const bool tolerances, fields.boolean("tolerances", true));
  if (tolerances) out.parameters = board::with_tolerances(out.parameters, std::string_view(serial));
  if (const auto values = fields.find("values")) {
    TRY(board::decode_values(*values, out.parameters));
  }
  TRY_ASSIGN(const double late, fields.quantity("lo_phase_error", Unit::degree, 0.0));
  out.parameters.lo_phase_error_deg += late;
  if (const auto faults = fields.find("faults")) {
    TRY_ASSIGN(const auto elements, faults->elements());
    for (const json::Node& element : elements) {
      TRY_ASSIGN(board::Fault fault, decode_fault(element));
      out.faults.push_back(fault);
    }
  }
  TRY(fields.finish());
  return out;
}

}  // namespace nightbench::mock::server
