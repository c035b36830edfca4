// Names and checks of faults; what single faults do is in circuit_simulation_test and faults.md.
#include "mock_instruments/board/fault.hpp"

#include <gtest/gtest.h>

#include <set>

#include "fault_examples.hpp"
#include "mock_instruments/board/board.hpp"

namespace nightbench::mock::board::test {
namespace {

TEST(Fault, EveryKindHasANameThatLeadsBack) {
  std::set<std::string_view> seen;
  for (const FaultKind kind : fault_kinds()) {
    EXPECT_TRUE(seen.insert(name(kind)).second) << name(kind);
    EXPECT_EQ(find_fault_kind(name(kind)), kind);
  }
  EXPECT_EQ(find_fault_kind("no-such"), std::nullopt);
}

TEST(Fault, EveryKindHasAnExampleAndTheExamplesAreSound) {
  std::set<FaultKind> seen;
  for (const FaultExample& example : fault_examples()) {
    for (const Fault& fault : example.faults) {
      EXPECT_TRUE(check(fault)) << example.title;
      seen.insert(fault.kind);
    }
  }
  EXPECT_EQ(seen.size(), fault_kinds().size());
}

TEST(Fault, NonsenseIsRefused) {
  using enum FaultKind;
  const std::vector<Fault> wrong{
      {.kind = via_open, .pin = 7},
      {.kind = pins_interchanged, .pin = 5, .other_pin = 5},
      {.kind = pairs_swapped},
      {.kind = capacitor_off_value, .factor = 0.0},
      {.kind = bias_low, .factor = 1.5},
      {.kind = lo_missing, .pin = 3},
      {.kind = lo_phase_error, .degrees = 200},
      {.kind = lo_duty, .factor = 1.0},
      {.kind = cold_joint, .ohm = -1},
      // Numbers somebody forgot: nothing would be wrong with the board.
      {.kind = cold_joint},
      {.kind = supply_low},
      {.kind = gain_resistor_off},
      {.kind = lo_phase_error},
      {.kind = supply_short, .ohm = 0},
  };
  for (const Fault& fault : wrong) {
    const auto board = Board::make(healthy_30m(), {fault});
    ASSERT_FALSE(board) << name(fault.kind);
    EXPECT_EQ(board.error().kind, ErrorKind::bad_input);
    EXPECT_NE(board.error().message.find(name(fault.kind)), std::string::npos);
  }
}

TEST(Fault, TwoThatUndoEachOtherLeaveAHealthySense) {
  // LO lines interchanged, and the 90 and 270 pairs too: Q is turned twice.
  Board board = Board::make(healthy_30m(), {{.kind = FaultKind::lo_swapped},
                                            {.kind = FaultKind::pairs_swapped,
                                             .phase = Phase::deg_90,
                                             .other_phase = Phase::deg_270}})
                    .value();
  const IqResponse got = board.iq_response({});
  EXPECT_NEAR(std::arg(got.q_v / got.i_v) * 180 / 3.14159265358979, 90.0, 0.1);
}

TEST(TestPoints, NamesLeadBackAndPinsAreUnique) {
  std::set<std::pair<std::string_view, int>> seen;
  for (const TestPointInfo& point : test_points()) {
    EXPECT_EQ(find_test_point(point.name), point.point);
    EXPECT_EQ(&info(point.point), &point);
    EXPECT_TRUE(seen.insert({point.part, point.pin}).second) << point.name;
  }
  EXPECT_EQ(find_test_point("nowhere"), std::nullopt);
}

}  // namespace
}  // namespace nightbench::mock::board::test
