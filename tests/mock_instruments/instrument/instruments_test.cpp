// The single instruments around a board, without a server.
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>

#include "asking.hpp"
#include "mock_instruments/instrument/lo_source.hpp"
#include "mock_instruments/instrument/meter.hpp"
#include "mock_instruments/instrument/relays.hpp"
#include "mock_instruments/instrument/rf_source.hpp"
#include "mock_instruments/instrument/supply.hpp"

namespace nightbench::mock::instrument {
namespace {

using std::chrono::milliseconds;

Setup setup(const std::string& name, Latency latency = Latency::instant()) {
  return {name, {"NIGHTBENCH", "SIM-" + name, "1", "1.0"}, latency, 11};
}

void put_board(World& world, std::vector<board::Fault> faults = {}) {
  auto made = board::Board::make(board::healthy_30m(), std::move(faults));
  ASSERT_TRUE(made) << describe(made.error());
  world.place(std::make_unique<board::Board>(*std::move(made)), "T-1");
}

TEST(RfSource, SetsReadsBackAndRefusesWhatItCannot) {
  World world{TimePoint{}};
  RfSourceConfig config;
  config.frequency_error_ppm = 2.0;
  config.level_error_db = 0.3;
  config.level_slope_db_per_decade = -0.1;
  RfSource source(world, setup("generator"), config);
  Asker ask(source);
  EXPECT_EQ(ask.text("*IDN?"), "NIGHTBENCH,SIM-generator,1,1.0");
  EXPECT_EQ(ask.number("FREQ?"), 100e6);
  ask.ask(":SOUR:FREQ 10.1234567894 MHZ;POW -30.126;:OUTP ON");
  EXPECT_DOUBLE_EQ(ask.number("FREQ?"), 10123456.79);  // 0.01 Hz
  EXPECT_DOUBLE_EQ(ask.number("POW?"), -30.13);        // 0.01 dB
  EXPECT_EQ(ask.text("OUTP?"), "1");
  ask.ask("FREQ 5E9");
  EXPECT_EQ(ask.error(), -222);
  ask.ask("POW 13.1");
  EXPECT_EQ(ask.error(), -222);
  EXPECT_DOUBLE_EQ(ask.number("FREQ?"), 10123456.79);
  ask.ask("UNIT:POW V;:POW 0");
  EXPECT_NEAR(ask.number("POW?"), 0.2236068, 1e-7);  // check value LEV-1: 0 dBm into 50 ohm
  // What really comes out.
  ask.ask("FREQ 10E6;POW -20");
  EXPECT_DOUBLE_EQ(source.true_hz(ask.now()), 10e6 * (1 + 2e-6));
  EXPECT_DOUBLE_EQ(source.true_dbm(ask.now()), -19.7);
  ask.ask("FREQ 100E6");
  EXPECT_NEAR(source.true_dbm(ask.now()), -19.8, 1e-12);
  ask.ask("*RST");
  EXPECT_FALSE(source.on());
}

TEST(RfSource, SettlesInItsTimeAndSaysSo) {
  World world{TimePoint{}};
  RfSource source(world, setup("generator", Latency::typical(milliseconds(10))), {});
  Asker ask(source);
  ask.ask("FREQ 10E6;POW -20");
  ask.text("*OPC?");
  const TimePoint start = ask.now();
  ask.ask("FREQ 20E6");
  const double soon = source.true_hz(start + milliseconds(3));
  EXPECT_GT(soon, 10e6);
  EXPECT_LT(soon, 20e6 - 1e3);
  EXPECT_EQ(ask.text("STAT:OPER:COND?"), "2");
  ask.text("*OPC?");
  EXPECT_GE(ask.now(), start + milliseconds(10));
  EXPECT_EQ(source.true_hz(ask.now()), 20e6);
  EXPECT_EQ(ask.text("STAT:OPER:COND?"), "0");
}

TEST(LoSource, TwoOutputsOneFrequencyAndAPhase) {
  World world{TimePoint{}};
  ASSERT_TRUE(world.wiring.attach("clock", "lo_in"));
  LoSourceConfig config;
  config.phase_error_deg = 0.5;
  LoSource source(world, setup("clock"), config);
  Asker ask(source);
  ask.ask(":SOUR1:FREQ 10.1E6;:SOUR1:PHAS 10;:SOUR2:PHAS 95");
  EXPECT_EQ(ask.number(":SOUR2:FREQ?"), 10.1e6);
  EXPECT_EQ(ask.number(":SOUR2:PHAS?"), 95);
  EXPECT_NEAR(source.true_phase_deg(ask.now()), 85.5, 1e-9);
  ask.ask(":OUTP1 ON");
  EXPECT_FALSE(world.stimulus(ask.now()).lo_on);
  ask.ask(":OUTP2 ON;:SOUR1:VOLT 3.3;:SOUR2:VOLT 5");
  const board::Stimulus stimulus = world.stimulus(ask.now());
  EXPECT_TRUE(stimulus.lo_on);
  EXPECT_EQ(stimulus.lo_hz, 10.1e6);
  EXPECT_EQ(stimulus.lo_high_v, 3.3);
  ask.ask(":OUTP3 ON");
  EXPECT_EQ(ask.error(), -114);
  ask.ask(":SOUR2:VOLT 6");
  EXPECT_EQ(ask.error(), -222);
}

struct PoweredBench {
  World world{TimePoint{}};
  Supply supply{world, setup("supply"), {}};
  Asker ask{supply};
  PoweredBench() { EXPECT_TRUE(world.wiring.attach("supply/1", "board_supply")); }
};

TEST(Supply, FeedsTheBoardAndMeasuresIt) {
  PoweredBench bench;
  put_board(bench.world);
  bench.ask.ask(":VOLT 10;CURR 0.15;CURR:PROT:STAT ON;:OUTP ON");
  EXPECT_EQ(bench.ask.error(), 0);
  EXPECT_NEAR(bench.ask.number("MEAS:VOLT?"), 10.0, 2e-3);
  const double amperes = bench.ask.number("MEAS:CURR?");
  const double drawn = bench.world.board()->supply_current_a(bench.world.stimulus(bench.ask.now()));
  EXPECT_NEAR(amperes, drawn, 2e-4);
  EXPECT_GT(amperes, 5e-3);
  EXPECT_EQ(bench.ask.text("CURR:PROT:TRIP?;:STAT:OPER:COND?"), "0;256");
  bench.ask.ask(":OUTP OFF");
  EXPECT_FALSE(bench.world.stimulus(bench.ask.now()).supply_on);
  EXPECT_NEAR(bench.ask.number("MEAS:CURR?"), 0.0, 2e-4);
}

TEST(Supply, TripsOnAShortAndStaysOffUntilCleared) {
  PoweredBench bench;
  board::Fault fault;
  fault.kind = board::FaultKind::supply_short;
  fault.rail = board::Rail::supply_in;
  fault.ohm = 1.0;
  put_board(bench.world, {fault});
  bench.ask.ask(":VOLT 10;CURR 0.15;CURR:PROT:STAT ON;:OUTP ON");
  EXPECT_EQ(bench.ask.text("CURR:PROT:TRIP?"), "1");
  EXPECT_EQ(bench.ask.text("OUTP?"), "0");
  EXPECT_EQ(bench.ask.text("STAT:QUES:COND?"), "2");
  EXPECT_FALSE(bench.world.stimulus(bench.ask.now()).supply_on);
  bench.ask.ask(":OUTP ON");
  EXPECT_EQ(bench.ask.error(), -221);
  bench.ask.ask(":OUTP:PROT:CLE");
  EXPECT_EQ(bench.ask.text("CURR:PROT:TRIP?;:STAT:QUES:COND?"), "0;0");
  // Without the trip it limits instead: volts fall, current stays.
  bench.ask.ask(":CURR:PROT:STAT OFF;:OUTP ON");
  EXPECT_NEAR(bench.ask.number("MEAS:CURR?"), 0.15, 1e-3);
  EXPECT_LT(bench.ask.number("MEAS:VOLT?"), 1.0);
  EXPECT_EQ(bench.ask.text("STAT:OPER:COND?"), "1024");
}

TEST(Supply, OverVoltageProtectionTrips) {
  PoweredBench bench;
  put_board(bench.world);
  bench.ask.ask(":CURR 0.2;:VOLT:PROT 9;PROT:STAT ON;:VOLT 10;:OUTP ON");
  EXPECT_EQ(bench.ask.text("VOLT:PROT:TRIP?;:OUTP?;:STAT:QUES:COND?"), "1;0;1");
}

TEST(Supply, RefusesWhatItCannotAndSelectsOutputs) {
  PoweredBench bench;
  bench.ask.ask(":VOLT 5;:INST:NSEL 2;:VOLT 3");
  EXPECT_EQ(bench.ask.number("VOLT?"), 3.0);
  EXPECT_EQ(bench.ask.text("INST?;:INST:NSEL?"), "OUT2;2");
  bench.ask.ask(":INST OUT1");
  EXPECT_EQ(bench.ask.number("VOLT?"), 5.0);
  bench.ask.ask(":VOLT 31");
  EXPECT_EQ(bench.ask.error(), -222);
  bench.ask.ask(":INST:NSEL 3");
  EXPECT_EQ(bench.ask.error(), -222);
  EXPECT_EQ(bench.ask.number("VOLT?"), 5.0);
}

TEST(Supply, StartsSoftlyAtARealPace) {
  World world{TimePoint{}};
  EXPECT_TRUE(world.wiring.attach("supply/1", "board_supply"));
  Supply supply(world, setup("supply", Latency::typical(milliseconds(10))), {});
  Asker ask(supply);
  put_board(world);
  ask.ask(":VOLT 10;CURR 0.2");
  const TimePoint start = ask.now();
  ask.ask(":OUTP ON");
  const double early = supply.terminals(1, start + milliseconds(1)).volts;
  EXPECT_GT(early, 0.5);
  EXPECT_LT(early, 9.0);
  ask.text("*OPC?");
  EXPECT_GE(ask.now(), start + milliseconds(20));
  EXPECT_NEAR(supply.terminals(1, ask.now()).volts, 10.0, 1e-6);
}

struct MeterBench {
  World world{TimePoint{}};
  Supply supply{world, setup("supply"), {}};
  Relays relays;
  Meter meter{world, setup("meter"), {}};
  Asker power{supply};
  Asker switches{relays};
  Asker ask{meter};
  explicit MeterBench(Latency relay_latency = Latency::instant())
      : relays(world, setup("relays", relay_latency), {}) {
    EXPECT_TRUE(world.wiring.attach("supply/1", "board_supply"));
    EXPECT_TRUE(world.wiring.route("meter", "relays", 101, "op_amp_supply"));
    EXPECT_TRUE(world.wiring.route("meter", "relays", 103, "mid_rail"));
    put_board(world);
  }
};

TEST(Meter, ReadsWhatTheClosedRelayLeadsTo) {
  MeterBench bench;
  bench.power.ask(":VOLT 10;CURR 0.2;:OUTP ON");
  EXPECT_NEAR(bench.ask.number(":MEAS:VOLT?"), 0.0, 2e-3);  // nothing closed
  bench.switches.ask(":ROUT:CLOS (@101)");
  EXPECT_EQ(bench.switches.text(":ROUT:CLOS? (@101:103)"), "1,0,0");
  EXPECT_NEAR(bench.ask.number(":MEAS:VOLT?"), 10.0, 5e-3);
  bench.switches.ask(":ROUT:OPEN (@101);CLOS (@103)");
  EXPECT_EQ(bench.switches.text(":ROUT:CLOS:STAT?"), "(@103)");
  const double rail = bench.ask.number(":READ?");
  const double truth = bench.world.board()->dc_volts(bench.world.stimulus(bench.ask.now(), "meter"),
                                                     board::TestPoint::mid_rail);
  EXPECT_NEAR(rail, truth, 2e-4 * truth + 5e-5 * 10 + 1e-4);
  EXPECT_EQ(bench.ask.number("FETC?"), rail);  // the same reading again
  bench.switches.ask(":ROUT:OPEN:ALL");
  EXPECT_EQ(bench.switches.text(":ROUT:OPEN? (@101,103)"), "1,1");
  bench.switches.ask(":ROUT:CLOS (@101,199)");
  EXPECT_EQ(bench.switches.error(), -222);
  EXPECT_EQ(bench.switches.text(":ROUT:CLOS? (@101)"), "0");  // nothing was switched
}

TEST(Meter, RangesOverloadAndErrors) {
  MeterBench bench;
  bench.power.ask(":VOLT 10;CURR 0.2;:OUTP ON");
  bench.switches.ask(":ROUT:CLOS (@101)");
  bench.ask.ask(":CONF:VOLT:DC 1");
  EXPECT_EQ(bench.ask.number("VOLT:RANG?"), 1.0);
  EXPECT_EQ(bench.ask.text("READ?"), "9.9E+37");  // SCPI-1999 volume 1, 7.2.1.4
  EXPECT_EQ(bench.ask.text("STAT:QUES:COND?"), "1");
  bench.ask.ask(":VOLT:RANG:AUTO ON");
  EXPECT_NEAR(bench.ask.number("READ?"), 10.0, 5e-3);
  EXPECT_EQ(bench.ask.number("VOLT:RANG?"), 10.0);
  bench.ask.ask(":CONF:VOLT 1001");
  EXPECT_EQ(bench.ask.error(), -222);
  bench.ask.ask(":CONF:VOLT MAX");
  EXPECT_EQ(bench.ask.text("CONF?"), "\"VOLT 1.000000E+03,1.000000E-03\"");
  EXPECT_EQ(bench.ask.text("FETC?"), "(no answer)");  // no reading since
  EXPECT_EQ(bench.ask.error(), -230);
  bench.ask.ask("FUNC \"AMPS\"");
  EXPECT_EQ(bench.ask.error(), -224);
  bench.ask.ask("FUNC \"RES\"");
  EXPECT_EQ(bench.ask.text("FUNC?"), "\"RES\"");
}

TEST(Meter, TriggersFromTheBus) {
  MeterBench bench;
  bench.ask.ask("*TRG");
  EXPECT_EQ(bench.ask.error(), -211);
  bench.ask.ask(":TRIG:SOUR BUS;:INIT");
  bench.ask.ask(":INIT");
  EXPECT_EQ(bench.ask.error(), -213);
  bench.ask.ask(":READ?");
  EXPECT_EQ(bench.ask.error(), -214);
  EXPECT_EQ(bench.ask.text("FETC?"), "(no answer)");
  EXPECT_EQ(bench.ask.error(), -230);
  bench.ask.ask("*TRG");
  EXPECT_NE(bench.ask.text("FETC?"), "(no answer)");
  bench.ask.ask(":TRIG:SOUR IMM;:SAMP:COUN 3;:INIT");
  const std::string three = bench.ask.text("FETC?");
  EXPECT_EQ(std::ranges::count(three, ','), 2);
}

TEST(Meter, MeasuresOhmsOfTheUnpoweredBoard) {
  MeterBench bench;
  EXPECT_TRUE(bench.world.wiring.attach("meter", "sw_6"));
  EXPECT_TRUE(bench.world.wiring.attach("meter/low", "cap_0"));
  const double truth = bench.world.board()->ohms(board::TestPoint::sw_6, board::TestPoint::cap_0);
  const double found = bench.ask.number(":MEAS:RES?");
  EXPECT_NEAR(found, truth, 5e-4 * truth + 1e-4 * 100 + 0.01);
  EXPECT_TRUE(bench.world.wiring.attach("meter/low", ""));
  EXPECT_EQ(bench.ask.text(":MEAS:RES?"), "9.9E+37") << "the low lead is in the air";
  EXPECT_TRUE(bench.world.wiring.attach("meter/low", "cap_0"));
  EXPECT_TRUE(bench.world.wiring.attach("meter", ""));
  EXPECT_EQ(bench.ask.text(":MEAS:RES?"), "9.9E+37");
}

TEST(Relays, BounceAndThenStayClosed) {
  MeterBench bench(Latency::typical(milliseconds(8)));
  bench.power.ask(":VOLT 10;CURR 0.2;:OUTP ON");
  bench.switches.ask(":ROUT:CLOS (@101)");
  // Within 8 ms readings are anything up to the truth; the meter's own clock stands still here.
  double least = 1e9;
  for (int i = 0; i < 20; ++i) least = std::min(least, bench.ask.number(":MEAS:VOLT?"));
  EXPECT_LT(least, 9.0);
  bench.switches.text("*OPC?");
  bench.ask.sleep(bench.switches.now() - bench.ask.now());
  EXPECT_NEAR(bench.ask.number(":MEAS:VOLT?"), 10.0, 5e-3);
}

TEST(Instruments, PowerOnForgetsSettingsAndStatus) {
  PoweredBench bench;
  bench.ask.ask(":VOLT 5;:OUTP ON;FOO");
  bench.supply.power_on(bench.ask.now());
  EXPECT_EQ(bench.ask.text("*ESR?;:OUTP?;:SYST:ERR:COUN?"), "128;0;0");
  EXPECT_EQ(bench.ask.number("VOLT?"), 0.0);
}

}  // namespace
}  // namespace nightbench::mock::instrument
