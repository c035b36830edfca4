#include "mock_instruments/board/test_point.hpp"

#include <algorithm>

namespace nightbench::mock::board {

namespace {
constexpr std::array<TestPointInfo, test_point_count> table{{
    {TestPoint::i_out, "i_out", "U2", 1, "I output of the op-amp"},
    {TestPoint::q_out, "q_out", "U2", 7, "Q output of the op-amp"},
    {TestPoint::lo_0, "lo_0", "U1", 14, "LO at select pin S0"},
    {TestPoint::lo_90, "lo_90", "U1", 2, "LO at select pin S1"},
    {TestPoint::splitter_phase, "splitter_phase", "U1", 7, "phase end of the splitter"},
    {TestPoint::splitter_antiphase, "splitter_antiphase", "U1", 9, "antiphase end of the splitter"},
    {TestPoint::sw_6, "sw_6", "U1", 6, "switch output 1B1, 0 deg"},
    {TestPoint::sw_5, "sw_5", "U1", 5, "switch output 1B2, 90 deg"},
    {TestPoint::sw_4, "sw_4", "U1", 4, "switch output 1B3, 270 deg"},
    {TestPoint::sw_3, "sw_3", "U1", 3, "switch output 1B4, 180 deg"},
    {TestPoint::sw_10, "sw_10", "U1", 10, "switch output 2B1, 180 deg"},
    {TestPoint::sw_11, "sw_11", "U1", 11, "switch output 2B2, 270 deg"},
    {TestPoint::sw_12, "sw_12", "U1", 12, "switch output 2B3, 90 deg"},
    {TestPoint::sw_13, "sw_13", "U1", 13, "switch output 2B4, 0 deg"},
    {TestPoint::cap_0, "cap_0", "C1", 1, "sampling capacitor, 0 deg"},
    {TestPoint::cap_90, "cap_90", "C2", 1, "sampling capacitor, 90 deg"},
    {TestPoint::cap_180, "cap_180", "C3", 1, "sampling capacitor, 180 deg"},
    {TestPoint::cap_270, "cap_270", "C4", 1, "sampling capacitor, 270 deg"},
    {TestPoint::i_plus, "i_plus", "U2", 3, "non-inverting input, I"},
    {TestPoint::i_minus, "i_minus", "U2", 2, "inverting input, I"},
    {TestPoint::q_plus, "q_plus", "U2", 5, "non-inverting input, Q"},
    {TestPoint::q_minus, "q_minus", "U2", 6, "inverting input, Q"},
    {TestPoint::mid_rail, "mid_rail", "T1", 0,
     "centre tap of the splitter, half the switch supply"},
    {TestPoint::rf_in, "rf_in", "J1", 1, "RF input"},
    {TestPoint::supply_in, "supply_in", "J2", 1, "supply input"},
    {TestPoint::op_amp_supply, "op_amp_supply", "U2", 8, "supply of the op-amp"},
    {TestPoint::switch_supply, "switch_supply", "U1", 16,
     "supply of the switch, from the regulator"},
    {TestPoint::gnd, "gnd", "J2", 2, "ground"},
}};
}  // namespace

std::span<const TestPointInfo, test_point_count> test_points() {
  return table;
}

const TestPointInfo& info(TestPoint point) {
  return table[static_cast<std::size_t>(point)];
}

std::optional<TestPoint> find_test_point(std::string_view name) {
  const auto* found = std::ranges::find(table, name, &TestPointInfo::name);
  if (found == table.end()) return std::nullopt;
  return found->point;
}

}  // namespace nightbench::mock::board
