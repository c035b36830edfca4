// DC: supplies, currents, mid-rail, offsets, resistances.
#include <gtest/gtest.h>

#include <array>
#include <cmath>
#include <tuple>

#include "mock_instruments/board/board.hpp"

namespace nightbench::mock::board::test {
namespace {

Board make(std::vector<Fault> faults = {}) {
  return Board::make(healthy_30m(), std::move(faults)).value();
}

TEST(BoardDc, HealthyVoltages) {
  Board board = make();
  const Stimulus stimulus;
  EXPECT_DOUBLE_EQ(board.dc_volts(stimulus, TestPoint::supply_in), 10.0);
  EXPECT_DOUBLE_EQ(board.dc_volts(stimulus, TestPoint::op_amp_supply), 10.0);
  EXPECT_DOUBLE_EQ(board.dc_volts(stimulus, TestPoint::switch_supply), 5.0);
  EXPECT_EQ(board.dc_volts(stimulus, TestPoint::gnd), 0.0);
  // Offsets of the circuit simulation's healthy captures.
  EXPECT_NEAR(board.dc_volts(stimulus, TestPoint::i_out), 2.5103, 2e-4);
  EXPECT_NEAR(board.dc_volts(stimulus, TestPoint::q_out), 2.4901, 2e-4);
  EXPECT_NEAR(board.dc_volts(stimulus, TestPoint::lo_0), 2.5, 1e-12);
}

TEST(BoardDc, AMeterLoadsTheMidRailByItsSourceResistance) {
  // Reads low by Rth / (Rth + Rin): 500 ohm with 10 Mohm, and with 10 kohm.
  Board board = make();
  for (const double ohm : {10e6, 10e3}) {
    const double expected = 2.5 * ohm / (ohm + 500);
    EXPECT_NEAR(board.dc_volts({}, TestPoint::mid_rail, ohm), expected, 2e-4) << ohm;
  }
}

TEST(BoardDc, NothingIsAliveUnpowered) {
  Board board = make();
  Stimulus off;
  off.supply_on = false;
  off.lo_on = false;
  off.rf_on = false;
  for (const TestPointInfo& point : test_points()) {
    EXPECT_NEAR(board.dc_volts(off, point.point), 0.0, 1e-9) << point.name;
  }
  EXPECT_EQ(board.supply_current_a(off), 0.0);
}

TEST(BoardDc, BiasFaultsShowAtTheMidRail) {
  EXPECT_NEAR(make({{.kind = FaultKind::bias_off}}).dc_volts({}, TestPoint::mid_rail), 0.0, 1e-3);
  Board low = make({{.kind = FaultKind::bias_low, .factor = 0.8}});
  EXPECT_NEAR(low.dc_volts({}, TestPoint::mid_rail), 2.0, 1e-3);
  EXPECT_NEAR(low.dc_volts({}, TestPoint::i_out), 2.0106, 1e-3);
}

TEST(BoardDc, RegulatorDropsOutAndDies) {
  Board board = make();
  Stimulus low;
  low.supply_v = 5.5;
  EXPECT_NEAR(board.dc_volts(low, TestPoint::switch_supply), 4.3, 1e-9);
  Board dead = make({{.kind = FaultKind::regulator_dead}});
  EXPECT_EQ(dead.dc_volts({}, TestPoint::switch_supply), 0.0);
  EXPECT_EQ(dead.dc_volts({}, TestPoint::op_amp_supply), 10.0);
  EXPECT_LT(std::abs(dead.iq_response({}).i_v), 1e-3);
}

TEST(BoardDc, DeadOpAmpAndOpenFeedbackEndAtTheRails) {
  Board dead = make({{.kind = FaultKind::op_amp_dead, .channel = Channel::q}});
  EXPECT_LT(std::abs(dead.iq_response({}).q_v), 1e-3);
  EXPECT_NEAR(std::abs(dead.iq_response({}).i_v), 0.915, 0.02);
  // A capacitor shorted to ground pulls one input down: the output goes to a rail and stays.
  Board shorted = make({{.kind = FaultKind::capacitor_shorted, .phase = Phase::deg_90}});
  EXPECT_NEAR(shorted.dc_volts({}, TestPoint::q_out), 0.14, 2e-3);
  Board other = make({{.kind = FaultKind::capacitor_shorted, .phase = Phase::deg_270}});
  EXPECT_NEAR(other.dc_volts({}, TestPoint::q_out), 9.06 * 10e3 / 10.05e3, 6e-3);
  EXPECT_LT(std::abs(other.iq_response({}).q_v), 0.01);
}

TEST(BoardDc, ADeadOutputHasNoRailsOfItsOwn) {
  Board board = make(
      {{.kind = FaultKind::op_amp_dead, .channel = Channel::q}, {.kind = FaultKind::bias_off}});
  EXPECT_NEAR(board.dc_volts({}, TestPoint::q_out), 0.0, 5e-3);
}

TEST(BoardDc, SuppliesDriftSmoothlyWithTemperature) {
  Board board = make();
  Stimulus stimulus;
  stimulus.temperature_c = 23.5;  // 40 ppm per kelvin of 5 V
  EXPECT_NEAR(board.dc_volts(stimulus, TestPoint::switch_supply), 5.0 + 1e-4, 1e-9);
}

TEST(BoardSupply, HealthyDrawIsTheSumOfItsParts) {
  Board board = make();
  const Stimulus stimulus;
  const Parameters& values = board.parameters();
  // 8 mA op-amp, 3 mA regulator, 5 V over 2 kohm of divider, the switch at its LO.
  const double divider = 5.0 / 2e3;
  const double dynamic = values.switch_farad * 5.0 * stimulus.lo_hz;
  EXPECT_NEAR(board.supply_current_a(stimulus), 8e-3 + 3e-3 + divider + 3e-6 + dynamic, 1e-9);
  EXPECT_NEAR(board.supply_current_a(stimulus, Rail::op_amp), 8e-3, 1e-12);
  const SupplyPoint point = board.supply_point(stimulus, 0.1);
  EXPECT_FALSE(point.limited);
  EXPECT_EQ(point.volts, 10.0);
}

TEST(BoardSupply, ShortsAndReversedPartsRunIntoTheLimit) {
  const Stimulus stimulus;
  Board shorted = make({{.kind = FaultKind::supply_short, .rail = Rail::supply_in, .ohm = 2}});
  const SupplyPoint point = shorted.supply_point(stimulus, 0.1);
  EXPECT_TRUE(point.limited);
  EXPECT_NEAR(point.amperes, 0.1, 1e-6);
  EXPECT_LT(point.volts, 0.2);
  EXPECT_TRUE(make({{.kind = FaultKind::op_amp_reversed}}).supply_point(stimulus, 0.1).limited);
  // Behind the regulator its own limit (150 mA) holds.
  Board reversed = make({{.kind = FaultKind::switch_reversed}});
  EXPECT_TRUE(reversed.supply_point(stimulus, 0.1).limited);
  EXPECT_NEAR(reversed.supply_current_a(stimulus), 0.15 + 8e-3 + 3e-3, 1e-4);
  EXPECT_LT(reversed.dc_volts(stimulus, TestPoint::switch_supply), 1.6);
}

TEST(BoardOhms, CrossConnectionsAndSwitchChannels) {
  Board board = make();
  const std::array pairs{
      std::pair{TestPoint::sw_6, TestPoint::sw_13}, std::pair{TestPoint::sw_5, TestPoint::sw_12},
      std::pair{TestPoint::sw_4, TestPoint::sw_11}, std::pair{TestPoint::sw_3, TestPoint::sw_10}};
  for (const auto& [a, b] : pairs) EXPECT_NEAR(board.ohms(a, b), 0.1, 1e-3) << info(a).name;
  EXPECT_GT(board.ohms(TestPoint::sw_6, TestPoint::sw_5), 10e3) << "neighbours are not joined";
  EXPECT_GT(board.ohms(TestPoint::splitter_phase, TestPoint::sw_6), 10e3) << "channels are open";
  EXPECT_NEAR(board.ohms(TestPoint::splitter_phase, TestPoint::splitter_antiphase), 0.1, 1e-3);
  EXPECT_NEAR(board.ohms(TestPoint::mid_rail, TestPoint::gnd), 1e3 * 12.8e3 / 13.8e3, 40);
  EXPECT_EQ(board.ohms(TestPoint::gnd, TestPoint::gnd), 0.0);

  for (const auto& [pin, a, b] : {std::tuple{13, TestPoint::sw_6, TestPoint::sw_13},
                                  {12, TestPoint::sw_5, TestPoint::sw_12},
                                  {11, TestPoint::sw_4, TestPoint::sw_11},
                                  {10, TestPoint::sw_3, TestPoint::sw_10}}) {
    Board open = make({{.kind = FaultKind::via_open, .pin = pin}});
    EXPECT_GT(open.ohms(a, b), 100e3) << pin;
  }
  Board crossed = make({{.kind = FaultKind::pins_interchanged, .pin = 5, .other_pin = 4}});
  EXPECT_GT(crossed.ohms(TestPoint::sw_5, TestPoint::sw_12), 10e3);
  EXPECT_NEAR(crossed.ohms(TestPoint::sw_5, TestPoint::sw_11), 0.1, 1e-3);
}

TEST(BoardOhms, OpensAndShorts) {
  Board open = make({{.kind = FaultKind::splitter_end_open, .winding = Winding::phase_half}});
  EXPECT_GT(open.ohms(TestPoint::splitter_phase, TestPoint::splitter_antiphase), 100e3);
  Board shorted = make({{.kind = FaultKind::supply_short, .rail = Rail::op_amp, .ohm = 3}});
  EXPECT_NEAR(shorted.ohms(TestPoint::op_amp_supply, TestPoint::gnd), 3.0, 0.01);
  EXPECT_GT(make().ohms(TestPoint::op_amp_supply, TestPoint::gnd), 1e3);
}

}  // namespace
}  // namespace nightbench::mock::board::test
