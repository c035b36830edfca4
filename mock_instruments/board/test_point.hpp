// The named places of the board where a probe or a meter can touch.
//
// Names are stable; who calls may show others. Pure data, any thread.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <span>
#include <string_view>

namespace nightbench::mock::board {

enum class TestPoint : std::uint8_t {
  i_out,
  q_out,
  lo_0,
  lo_90,
  splitter_phase,
  splitter_antiphase,
  sw_6,
  sw_5,
  sw_4,
  sw_3,
  sw_10,
  sw_11,
  sw_12,
  sw_13,
  cap_0,
  cap_90,
  cap_180,
  cap_270,
  i_plus,
  i_minus,
  q_plus,
  q_minus,
  mid_rail,
  rf_in,
  supply_in,
  op_amp_supply,
  switch_supply,
  gnd,
};
inline constexpr std::size_t test_point_count = 28;

struct TestPointInfo {
  TestPoint point;
  std::string_view name;  // "i_out"
  std::string_view part;  // "U2", the op-amp; U1 the switch, U3 the regulator, T1 the splitter
  int pin;                // of the part; 0 for a part without numbered pins
  std::string_view what;  // for people: "I output of the op-amp"
};

// All test points, in the order of the enumeration.
std::span<const TestPointInfo, test_point_count> test_points();
const TestPointInfo& info(TestPoint point);
std::optional<TestPoint> find_test_point(std::string_view name);

}  // namespace nightbench::mock::board
