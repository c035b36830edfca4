// RF source, LO source, supply, meter, relays: what is said, what is checked, what is never
// skipped.
#include <algorithm>
#include <cmath>

#include "drivers/instrument/lo_source.hpp"
#include "drivers/instrument/meter.hpp"
#include "drivers/instrument/relays.hpp"
#include "drivers/instrument/rf_source.hpp"
#include "drivers/instrument/supply.hpp"
#include "rig.hpp"

namespace nightbench::instrument {
namespace {

using test::Heard;

class RfSourceTest : public test::Rig {};

TEST_F(RfSourceTest, SendsAllAtFirstThenOnlyWhatChanged) {
  const auto source = make<RfSource>("rf-source-scpi", "generator");
  ASSERT_TRUE(run(source->apply({10.12e6, -30, true})));
  EXPECT_EQ(said(), (Heard{":OUTP OFF", ":SOUR:FREQ 10120000", ":SOUR:POW -30", ":OUTP ON",
                           ":SOUR:FREQ?", ":SOUR:POW?", ":OUTP?"}));
  ASSERT_TRUE(run(source->apply({10.13e6, -30, true})));
  EXPECT_EQ(said(), (Heard{":SOUR:FREQ 10130000", ":SOUR:FREQ?"}));
  ASSERT_TRUE(run(source->apply({10.13e6, -30, true})));
  EXPECT_EQ(said(), Heard{}) << "nothing changed, nothing said";
  ASSERT_TRUE(run(source->apply({10.13e6, -20, false})));
  EXPECT_EQ(said(), (Heard{":OUTP OFF", ":SOUR:POW -20", ":SOUR:POW?", ":OUTP?"}))
      << "off comes first";
  EXPECT_EQ(source->actual(), (RfSetting{10.13e6, -20, false}));
  EXPECT_EQ(source->settle(), std::chrono::milliseconds(20));
}

TEST_F(RfSourceTest, ForgetSendsAllAgain) {
  const auto source = make<RfSource>("rf-source-scpi", "generator");
  ASSERT_TRUE(run(source->apply({1e6, 0, true})));
  said();
  source->forget();
  ASSERT_TRUE(run(source->apply({1e6, 0, true})));
  EXPECT_EQ(said().size(), 7u);
}

TEST_F(RfSourceTest, SetsUpAnewAfterALostConnection) {
  const auto source = make<RfSource>("rf-source-scpi", "generator");
  ASSERT_TRUE(run(source->apply({1e6, 0, true})));
  said();
  fake_.drop_connection();
  ASSERT_TRUE(run(source->apply({2e6, 0, true})));
  const Heard heard = said();
  EXPECT_EQ(heard, (Heard{"*IDN?", ":UNIT:POW DBM", ":OUTP OFF", ":SOUR:FREQ 2000000",
                          ":SOUR:POW 0", ":OUTP ON", ":SOUR:FREQ?", ":SOUR:POW?", ":OUTP?"}));
}

TEST_F(RfSourceTest, ReadBackWithinTheResolution) {
  const auto source = make<RfSource>("rf-source-scpi", "generator");
  fake_.answers[":SOUR:FREQ?"] = "+1.000000000E+06";
  ASSERT_TRUE(run(source->apply({1e6 + 0.005, 0, true})));
  EXPECT_EQ(source->actual()->frequency_hz, 1e6);
  fake_.answers[":SOUR:POW?"] = "-9.5";
  const auto wrong = run(source->apply({1e6 + 0.005, -10, true}));
  ASSERT_FALSE(wrong);
  EXPECT_EQ(wrong.error().kind, ErrorKind::device);
  EXPECT_EQ(describe(wrong.error()),
            "generator: ':SOUR:POW?': set to -10 dBm, but reads back -9.5 dBm");
  EXPECT_FALSE(source->actual()) << "the state is unknown now";
}

TEST_F(RfSourceTest, ADeviceErrorNeverPassesSilently) {
  const auto source = make<RfSource>("rf-source-scpi", "generator");
  fake_.rejects[":SOUR:POW 30"] = -222;
  const auto refused = run(source->apply({1e6, 30, true}));
  ASSERT_FALSE(refused);
  EXPECT_EQ(refused.error().number, -222);
  EXPECT_EQ(refused.error().instrument, "generator");
  EXPECT_FALSE(source->actual());
  fake_.rejects.clear();
  said();
  ASSERT_TRUE(run(source->apply({1e6, 0, true})));
  EXPECT_EQ(said().size(), 7u) << "all is sent again";
}

TEST_F(RfSourceTest, OffIsSentAndConfirmedAlways) {
  const auto source = make<RfSource>("rf-source-scpi", "generator");
  ASSERT_TRUE(run(source->off()));
  EXPECT_EQ(said(), (Heard{":OUTP OFF", ":OUTP?"}));
  ASSERT_TRUE(run(source->off()));
  EXPECT_EQ(said(), (Heard{":OUTP OFF", ":OUTP?"}));
  fake_.answers[":OUTP?"] = "1";
  const auto stuck = run(source->off());
  ASSERT_FALSE(stuck);
  EXPECT_EQ(describe(stuck.error()), "generator: ':OUTP?': expected 0, reads back '1'");
}

TEST_F(RfSourceTest, OffGoesOverAnOlderErrorButNotOverSilence) {
  const auto source = make<RfSource>("rf-source-scpi", "generator");
  fake_.errors = {"-222,\"Data out of range\""};
  EXPECT_TRUE(run(source->off())) << "the output says that it is off";
  fake_.silent = {":OUTP?", ":SYST:ERR?", "*IDN?"};
  EXPECT_EQ(run(source->off()).error().kind, ErrorKind::timeout);
  EXPECT_LE(clock_.now().time_since_epoch(), std::chrono::seconds(10));
}

TEST_F(RfSourceTest, OffIsSaidAgainWhenItMayNotHaveBeenHeard) {
  const auto source = make<RfSource>("rf-source-scpi", "generator");
  fake_.once[":SYST:ERR?"] = {""};  // no answer, this once
  EXPECT_TRUE(run(source->off()));
  const Heard heard = said();
  EXPECT_EQ(std::count(heard.begin(), heard.end(), ":OUTP OFF"), 2);
  fake_.drop_connection();
  EXPECT_TRUE(run(source->off()));
  fake_.away = true;
  fake_.drop_connection();
  const auto gone = run(source->off());
  ASSERT_FALSE(gone);
  EXPECT_EQ(gone.error().kind, ErrorKind::refused);
}

TEST_F(RfSourceTest, GarbageInsteadOfANumber) {
  const auto source = make<RfSource>("rf-source-scpi", "generator");
  fake_.answers[":SOUR:FREQ?"] = "ten";
  const auto wrong = run(source->apply({1e6, 0, true}));
  ASSERT_FALSE(wrong);
  EXPECT_EQ(wrong.error().kind, ErrorKind::bad_data);
  EXPECT_EQ(describe(wrong.error()), "generator: ':SOUR:FREQ?': expected a number, found 'ten'");
}

TEST_F(RfSourceTest, SenselessSettingsAreNotSent) {
  const auto source = make<RfSource>("rf-source-scpi", "generator");
  EXPECT_EQ(run(source->apply({0, 0, true})).error().kind, ErrorKind::bad_input);
  EXPECT_EQ(run(source->apply({1e6, std::nan(""), true})).error().kind, ErrorKind::bad_input);
  EXPECT_EQ(said(), Heard{});
}

TEST_F(RfSourceTest, ReadAsksAnew) {
  const auto source = make<RfSource>("rf-source-scpi", "generator");
  ASSERT_TRUE(run(source->apply({1e6, -3, true})));
  const auto read = run(source->read());
  ASSERT_TRUE(read);
  EXPECT_EQ(*read, (RfSetting{1e6, -3, true}));
}

TEST_F(RfSourceTest, IdentityMustMatch) {
  const auto dialect = find_dialect(test::dialect_folder(), "rf-source-scpi");
  RoleOptions options;
  options.identity = "^Heronworks,F2,";
  auto session = std::make_unique<scpi::Session>(fake_.link(), clock_, "generator");
  RfSource source(std::move(session), *dialect, options);
  const auto opened = run(source.open());
  ASSERT_FALSE(opened);
  EXPECT_EQ(opened.error().kind, ErrorKind::bad_input);
  EXPECT_EQ(describe(opened.error()),
            "generator: '*IDN?': expected an identity like '^Heronworks,F2,', found "
            "'Heronworks,F1,0001,1.0'");
}

class LoSourceTest : public test::Rig {};

TEST_F(LoSourceTest, BothOutputsAndThePhaseAfterEachChangeOfFrequency) {
  const auto source = make<LoSource>("lo-source-scpi", "clock");
  ASSERT_TRUE(run(source->apply({10e6, 90, 5, true})));
  EXPECT_EQ(said(),
            (Heard{":OUTP1 OFF", ":OUTP2 OFF", ":SOUR1:VOLT 5", ":SOUR2:VOLT 5",
                   ":SOUR1:FREQ 10000000", ":SOUR2:FREQ 10000000", ":SOUR1:PHAS 0",
                   ":SOUR2:PHAS 90", ":OUTP1 ON", ":OUTP2 ON", ":SOUR1:VOLT?", ":SOUR2:VOLT?",
                   ":SOUR1:FREQ?", ":SOUR2:FREQ?", ":SOUR2:PHAS?", ":OUTP1?", ":OUTP2?"}));
  ASSERT_TRUE(run(source->apply({11e6, 90, 5, true})));
  EXPECT_EQ(said(), (Heard{":SOUR1:FREQ 11000000", ":SOUR2:FREQ 11000000", ":SOUR1:PHAS 0",
                           ":SOUR2:PHAS 90", ":SOUR1:FREQ?", ":SOUR2:FREQ?", ":SOUR2:PHAS?"}));
  EXPECT_EQ(source->actual(), (LoSetting{11e6, 90, 5, true}));
}

TEST_F(LoSourceTest, OneOutputThatDiffersIsAFailure) {
  const auto source = make<LoSource>("lo-source-scpi", "clock");
  fake_.answers[":SOUR2:FREQ?"] = "9999000";
  const auto wrong = run(source->apply({10e6, 90, 5, true}));
  ASSERT_FALSE(wrong);
  EXPECT_EQ(describe(wrong.error()),
            "clock: ':SOUR2:FREQ?': set to 10 MHz, but reads back 9.999 MHz");
}

TEST_F(LoSourceTest, PhaseIsComparedOnTheCircle) {
  const auto source = make<LoSource>("lo-source-scpi", "clock");
  fake_.answers[":SOUR2:PHAS?"] = "270";
  EXPECT_TRUE(run(source->apply({10e6, -90, 5, true})));
  fake_.answers[":SOUR2:PHAS?"] = "271";
  EXPECT_FALSE(run(source->apply({11e6, -90, 5, true})));
}

TEST_F(LoSourceTest, OffMeansBothOutputs) {
  const auto source = make<LoSource>("lo-source-scpi", "clock");
  ASSERT_TRUE(run(source->off()));
  EXPECT_EQ(said(), (Heard{":OUTP1 OFF", ":OUTP2 OFF", ":OUTP1?", ":OUTP2?"}));
  fake_.answers[":OUTP2?"] = "1";
  EXPECT_FALSE(run(source->off()));
}

class SupplyTest : public test::Rig {};

TEST_F(SupplyTest, LimitBeforeVoltageAndBothConfirmed) {
  const auto supply = make<Supply>("supply-scpi", "supply");
  ASSERT_TRUE(run(supply->set(10, 0.15)));
  EXPECT_EQ(said(), (Heard{":SOUR:CURR 0.15", ":SOUR:CURR:PROT:STAT ON", ":SOUR:VOLT 10",
                           ":SOUR:CURR?", ":SOUR:VOLT?"}));
  fake_.answers[":SOUR:CURR?"] = "1.0";
  EXPECT_EQ(describe(run(supply->set(10, 0.15)).error()),
            "supply: ':SOUR:CURR?': set to 150 mA, but reads back 1 A");
}

TEST_F(SupplyTest, ASelectedOutputIsSelectedEachTime) {
  RoleOptions options;
  options.channel = 2;
  const auto supply = make<Supply>("supply-scpi", "supply", options);
  ASSERT_TRUE(run(supply->set(10, 0.15)));
  const Heard heard = said();
  EXPECT_EQ(heard.front(), ":INST:NSEL 2");
  EXPECT_EQ(std::count(heard.begin(), heard.end(), ":INST:NSEL 2"), 3);
  ASSERT_TRUE(run(supply->off()));
  EXPECT_EQ(said(), (Heard{":INST:NSEL 2", ":OUTP OFF", ":INST:NSEL 2", ":OUTP?"}));
}

TEST_F(SupplyTest, MeasuresAndTellsATrip) {
  const auto supply = make<Supply>("supply-scpi", "supply");
  fake_.answers = {{":MEAS:VOLT?", "9.998"},
                   {":MEAS:CURR?", "+4.2E-02"},
                   {":SOUR:CURR:PROT:TRIP?", "0"},
                   {":SOUR:VOLT:PROT:TRIP?", "0"}};
  const auto good = run(supply->measure());
  ASSERT_TRUE(good) << describe(good.error());
  EXPECT_EQ(good->volts, 9.998);
  EXPECT_EQ(good->amps, 0.042);
  EXPECT_FALSE(good->tripped);
  fake_.answers[":SOUR:VOLT:PROT:TRIP?"] = "1";
  EXPECT_TRUE(run(supply->measure())->tripped);
  ASSERT_TRUE(run(supply->clear_trip()));
  EXPECT_EQ(said().back(), ":OUTP:PROT:CLE");
}

TEST_F(SupplyTest, ATripAtSwitchingOnIsUnsafe) {
  const auto supply = make<Supply>("supply-scpi", "supply");
  fake_.answers = {{":SOUR:CURR:PROT:TRIP?", "1"}, {":SOUR:VOLT:PROT:TRIP?", "0"}};
  const auto tripped = run(supply->output(true));
  ASSERT_FALSE(tripped);
  EXPECT_EQ(tripped.error().kind, ErrorKind::unsafe);
  fake_.answers[":SOUR:CURR:PROT:TRIP?"] = "0";
  EXPECT_TRUE(run(supply->output(true)));
  said();
  ASSERT_TRUE(run(supply->off()));
  EXPECT_EQ(said(), (Heard{":OUTP OFF", ":OUTP?"}));
}

class MeterTest : public test::Rig {};

TEST_F(MeterTest, ConfiguresOnlyWhenFunctionOrRangeChange) {
  const auto meter = make<Meter>("meter-scpi", "meter");
  fake_.answers = {
      {":READ?", "+2.50123E+00"}, {":SENS:VOLT:DC:RANG?", "10"}, {":SENS:RES:RANG?", "1000"}};
  const auto volts = run(meter->dc_volts());
  ASSERT_TRUE(volts) << describe(volts.error());
  EXPECT_EQ(volts->value, 2.50123);
  EXPECT_EQ(volts->range, 10);
  EXPECT_FALSE(volts->overload);
  EXPECT_EQ(said(), (Heard{":CONF:VOLT:DC", ":SENS:VOLT:DC:RANG:AUTO ON", ":READ?",
                           ":SENS:VOLT:DC:RANG?"}));
  ASSERT_TRUE(run(meter->dc_volts()));
  EXPECT_EQ(said(), (Heard{":READ?", ":SENS:VOLT:DC:RANG?"}));
  ASSERT_TRUE(run(meter->dc_volts(10)));
  EXPECT_EQ(said().front(), ":CONF:VOLT:DC 10");
  ASSERT_TRUE(run(meter->ohms()));
  EXPECT_EQ(said(), (Heard{":CONF:RES", ":SENS:RES:RANG:AUTO ON", ":READ?", ":SENS:RES:RANG?"}));
}

TEST_F(MeterTest, OverloadIsATypedResultAndNanAnError) {
  const auto meter = make<Meter>("meter-scpi", "meter");
  fake_.answers = {{":READ?", "+9.90000000E+37"}, {":SENS:RES:RANG?", "1e6"}};
  const auto open = run(meter->ohms());
  ASSERT_TRUE(open) << describe(open.error());
  EXPECT_TRUE(open->overload);
  fake_.answers[":READ?"] = "9.91E37";
  EXPECT_EQ(describe(run(meter->ohms()).error()),
            "meter: ':READ?': the meter has no value ('9.91E37')");
  fake_.answers[":READ?"] = "----";
  EXPECT_EQ(describe(run(meter->ohms()).error()),
            "meter: ':READ?': expected a number, found '----'");
}

class RelaysTest : public test::Rig {
 protected:
  // A switcher with three channels.
  void behave() {
    fake_.on_command = [this](const std::string& command) {
      const bool close = command.starts_with(":ROUT:CLOS (@");
      const bool open = command.starts_with(":ROUT:OPEN (@");
      if (close || open) closed_[command.substr(13, command.size() - 14)] = close;
      if (command == ":ROUT:OPEN:ALL" && !stuck_) closed_.clear();
      for (const char* channel : {"101", "102", "103"}) {
        fake_.answers[std::string(":ROUT:CLOS? (@") + channel + ")"] = closed_[channel] ? "1" : "0";
      }
      fake_.answers[":ROUT:CLOS? (@101,102,103)"] = std::string(closed_["101"] ? "1" : "0") +
                                                    (closed_["102"] ? ",1" : ",0") +
                                                    (closed_["103"] ? ",1" : ",0");
    };
  }
  std::map<std::string, bool> closed_;
  bool stuck_ = false;
};

TEST_F(RelaysTest, EachChangeIsVerified) {
  behave();
  const auto relays = make<Relays>("relays-scpi", "relays");
  ASSERT_TRUE(run(relays->close(101)));
  EXPECT_EQ(said(), (Heard{":ROUT:CLOS (@101)", ":ROUT:CLOS? (@101)"}));
  EXPECT_TRUE(run(relays->is_closed(101)).value());
  ASSERT_TRUE(run(relays->open(101)));
  EXPECT_FALSE(run(relays->is_closed(101)).value());
  fake_.on_command = {};
  const auto stuck = run(relays->close(101));
  ASSERT_FALSE(stuck);
  EXPECT_EQ(describe(stuck.error()), "relays: ':ROUT:CLOS? (@101)': expected 1, reads back '0'");
}

TEST_F(RelaysTest, SelectOpensTheOthersFirst) {
  behave();
  const auto relays = make<Relays>("relays-scpi", "relays");
  const std::vector<int> all{101, 102, 103};
  ASSERT_TRUE(run(relays->select(102, all)));
  EXPECT_EQ(said(), (Heard{":ROUT:OPEN (@101)", ":ROUT:CLOS? (@101)", ":ROUT:OPEN (@103)",
                           ":ROUT:CLOS? (@103)", ":ROUT:CLOS (@102)", ":ROUT:CLOS? (@102)"}));
  ASSERT_TRUE(run(relays->select(102, all)));
  EXPECT_EQ(said(), Heard{});
  ASSERT_TRUE(run(relays->select(101, all)));
  EXPECT_EQ(said(), (Heard{":ROUT:OPEN (@102)", ":ROUT:CLOS? (@102)", ":ROUT:CLOS (@101)",
                           ":ROUT:CLOS? (@101)"}));
}

TEST_F(RelaysTest, OpenAllIsVerifiedForEveryChannelInUse) {
  behave();
  const auto relays = make<Relays>("relays-scpi", "relays");
  relays->use({101, 102, 103});
  ASSERT_TRUE(run(relays->close(103)));
  said();
  ASSERT_TRUE(run(relays->make_safe()));
  EXPECT_EQ(said(), (Heard{":ROUT:OPEN:ALL", ":ROUT:CLOS? (@101,102,103)"}));
  ASSERT_TRUE(run(relays->close(103)));
  stuck_ = true;
  EXPECT_EQ(describe(run(relays->open_all()).error()),
            "relays: ':ROUT:CLOS? (@101,102,103)': expected 0, reads back '0,0,1'");
}

}  // namespace
}  // namespace nightbench::instrument
