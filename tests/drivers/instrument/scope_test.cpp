// Scopes of the three families over a scripted instrument.
#include "drivers/instrument/scope.hpp"

#include <cstring>

#include "drivers/scpi/block.hpp"
#include "rig.hpp"

namespace nightbench::instrument {
namespace {

using test::Heard;

ScopeSetup two_channels() {
  ScopeSetup out;
  out.channels = {{1, 2.0, 0.0, true}, {2, 2.0, 0.1, true}};
  out.sample_rate_hz = 1e6;
  out.points = 4;
  return out;
}

std::string words(const std::vector<std::int16_t>& codes) {
  std::string out(codes.size() * 2, '\0');
  std::memcpy(out.data(), codes.data(), out.size());
  return out;
}

class WaveformScope : public test::Rig {
 protected:
  void SetUp() override {
    // It rounds the range to 1-2-5 steps and halves its rate with two channels.
    fake_.on_command = [this](const std::string& command) {
      if (command.starts_with(":ACQ:SRAT ")) fake_.answers[":ACQ:SRAT?"] = "5.0E+05";
      if (command == ":WAV:SOUR CHAN1" || command == ":WAV:SOUR CHAN2") {
        const bool first = command.back() == '1';
        fake_.raw[":WAV:DATA?"] =
            scpi::write_block(first ? words({0, 100, 10, -100}) : words({7, 8, 9, 10})) + "\n";
        fake_.answers[":WAV:PRE?"] =
            first ? "1,0,4,1,2e-6,-4e-6,0,5e-5,0,0" : "1,0,4,1,2e-6,-4e-6,0,5e-5,0.1,0";
      }
    };
    scope_ = make<Scope>("scope-waveform", "scope");
  }
  std::unique_ptr<Scope> scope_;
};

TEST_F(WaveformScope, AppliesReadsBackAndSendsOnlyChanges) {
  const auto actual = run(scope_->apply(two_channels()));
  ASSERT_TRUE(actual) << describe(actual.error());
  EXPECT_EQ(said(), (Heard{":CHAN1:DISP ON", ":CHAN1:COUP DC", ":CHAN1:RANG 2", ":CHAN1:OFFS 0",
                           ":CHAN2:DISP ON", ":CHAN2:COUP DC", ":CHAN2:RANG 2", ":CHAN2:OFFS 0.1",
                           ":ACQ:POIN 4", ":ACQ:SRAT 1000000", ":ACQ:TYPE NORM", ":TRIG:SWE AUTO",
                           ":ACQ:POIN?", ":ACQ:SRAT?", ":CHAN1:RANG?", ":CHAN1:OFFS?",
                           ":CHAN2:RANG?", ":CHAN2:OFFS?"}));
  EXPECT_EQ(actual->sample_rate_hz, 5e5) << "as read back, not as asked for";
  EXPECT_EQ(actual->points, 4u);
  EXPECT_EQ(actual->channels[1].offset_v, 0.1);
  EXPECT_EQ(actual->acquisition_time(), std::chrono::microseconds(8));

  ASSERT_TRUE(run(scope_->apply(two_channels())));
  EXPECT_EQ(said(), Heard{}) << "nothing changed, nothing said";
  ScopeSetup wider = two_channels();
  wider.channels[0].full_scale_v = 5;
  ASSERT_TRUE(run(scope_->apply(wider)));
  const Heard heard = said();
  EXPECT_EQ((Heard{heard[0], heard[1]}), (Heard{":CHAN1:RANG 5", ":CHAN1:OFFS 0"}));
  EXPECT_EQ(heard[2], ":ACQ:POIN?");
}

TEST_F(WaveformScope, AnUnusedChannelIsSwitchedOff) {
  ASSERT_TRUE(run(scope_->apply(two_channels())));
  said();
  ScopeSetup one = two_channels();
  one.channels.pop_back();
  ASSERT_TRUE(run(scope_->apply(one)));
  const Heard heard = said();
  EXPECT_EQ((Heard{heard[0], heard[1], heard[2]}),
            (Heard{":CHAN2:DISP OFF", ":ACQ:POIN 4", ":ACQ:SRAT 1000000"}))
      << "the rate is set again, because channels share the memory";
}

TEST_F(WaveformScope, AcquiresBothChannels) {
  ASSERT_TRUE(run(scope_->apply(two_channels())));
  said();
  const auto capture = run(scope_->acquire());
  ASSERT_TRUE(capture) << describe(capture.error());
  EXPECT_EQ(said(),
            (Heard{":SING", "*OPC?", ":WAV:SOUR CHAN1", ":WAV:POIN 4", ":WAV:PRE?", ":WAV:DATA?",
                   ":WAV:SOUR CHAN2", ":WAV:POIN 4", ":WAV:PRE?", ":WAV:DATA?"}));
  ASSERT_EQ(capture->channels.size(), 2u);
  const ChannelCapture& first = capture->channels[0];
  EXPECT_EQ(first.channel, 1);
  EXPECT_EQ(first.points(), 4u);
  EXPECT_EQ(first.dt_s, 2e-6);
  EXPECT_EQ(first.t0_s, -4e-6);
  EXPECT_EQ(codes(first), (std::vector<double>{0, 100, 10, -100})) << "NL (10) is data";
  EXPECT_DOUBLE_EQ(volts(first)[1], 0.005);
  EXPECT_DOUBLE_EQ(volts(capture->channels[1])[0], 7 * 5e-5 + 0.1);
  EXPECT_EQ(capture->channels[1].full_scale_v, 2.0);
}

TEST_F(WaveformScope, ARefusedSelectionIsNotTakenForTheOtherChannelsSamples) {
  ASSERT_TRUE(run(scope_->apply(two_channels())));
  fake_.rejects[":WAV:SOUR CHAN2"] = -222;
  const auto capture = run(scope_->acquire());
  ASSERT_FALSE(capture);
  EXPECT_EQ(capture.error().number, -222);
}

TEST_F(WaveformScope, BadRecordsNameTheCommandAndWhatCame) {
  ASSERT_TRUE(run(scope_->apply(two_channels())));
  const auto react = fake_.on_command;
  const auto record = [&](const std::string& preamble, const std::string& data) {
    fake_.on_command = [=, this](const std::string& command) {
      react(command);
      if (!preamble.empty()) fake_.answers[":WAV:PRE?"] = preamble;
      if (!data.empty()) fake_.raw[":WAV:DATA?"] = data;
    };
    return describe(run(scope_->acquire()).error());
  };
  EXPECT_EQ(record("1,0,4,1,0,0,0,1,0,0", ""),
            "scope: ':WAV:PRE?': preamble: expected a positive number for xincrement, found '0'");
  ASSERT_TRUE(run(scope_->apply(two_channels()))) << "gets back in step";
  EXPECT_EQ(record("", "#16abcdef\n"),
            "scope: ':WAV:DATA?': expected 4 samples of 2 bytes, found 6 bytes");
  ASSERT_TRUE(run(scope_->apply(two_channels())));
  EXPECT_EQ(record("", "#18abc"),
            "scope: ':WAV:DATA?': nothing came before the deadline; so far came '#18abc' (3 of 8 "
            "bytes of a block)");
  ASSERT_TRUE(run(scope_->apply(two_channels())));
  EXPECT_EQ(record("", "#9400000000"),
            "scope: ':WAV:DATA?': block claims 400000000 bytes, at most 8 expected");
}

TEST_F(WaveformScope, AReadBackThatMakesNoSense) {
  fake_.answers[":CHAN1:RANG?"] = "0";
  const auto actual = run(scope_->apply(two_channels()));
  ASSERT_FALSE(actual);
  EXPECT_EQ(describe(actual.error()),
            "scope: ':CHAN1:RANG?': expected a positive number, found '0'");
}

TEST_F(WaveformScope, SenselessSetupsAreNotSent) {
  const auto refused = [&](auto change) {
    ScopeSetup setup = two_channels();
    change(setup);
    const auto actual = run(scope_->apply(setup));
    return actual ? std::string("accepted") : actual.error().message;
  };
  EXPECT_EQ(refused([](ScopeSetup& s) { s.channels.clear(); }), "expected at least one channel");
  EXPECT_EQ(refused([](ScopeSetup& s) { s.channels[1].channel = 1; }),
            "expected channels from 1, each once");
  EXPECT_EQ(refused([](ScopeSetup& s) { s.channels[0].full_scale_v = 0; }),
            "expected a positive full scale and a finite offset");
  EXPECT_EQ(refused([](ScopeSetup& s) { s.sample_rate_hz = -1; }),
            "expected a positive sample rate");
  EXPECT_EQ(refused([](ScopeSetup& s) { s.points = 0; }), "expected 1 to 4194304 points");
  EXPECT_EQ(said(), Heard{});
}

TEST_F(WaveformScope, ArmBeforeSetupAndAfterALostConnection) {
  EXPECT_EQ(run(scope_->acquire()).error().kind, ErrorKind::bad_input);
  ASSERT_TRUE(run(scope_->apply(two_channels())));
  fake_.drop_connection();
  const auto lost = run(scope_->acquire());
  ASSERT_FALSE(lost);
  EXPECT_EQ(lost.error().kind, ErrorKind::refused);
  EXPECT_EQ(lost.error().message, "the scope was connected anew: set it up again");
  ASSERT_TRUE(run(scope_->apply(two_channels())));
  EXPECT_TRUE(run(scope_->acquire()));
}

TEST_F(WaveformScope, AveragesAndEdgeTrigger) {
  ScopeSetup setup = two_channels();
  setup.averages = 16;
  setup.edge_trigger = true;
  setup.trigger_channel = 2;
  setup.trigger_level_v = 0.05;
  const auto actual = run(scope_->apply(setup));
  ASSERT_TRUE(actual);
  EXPECT_EQ(actual->acquisition_time(), std::chrono::microseconds(8 * 16));
  const Heard heard = said();
  for (const char* text : {":ACQ:TYPE AVER", ":ACQ:COUN 16", ":TRIG:SWE NORM",
                           ":TRIG:EDGE:SOUR CHAN2", ":TRIG:EDGE:LEV 0.05"}) {
    EXPECT_EQ(std::count(heard.begin(), heard.end(), text), 1) << text;
  }
}

class CurveScope : public test::Rig {
 protected:
  void SetUp() override {
    fake_.answers = {{":WFMO:BYT_NR?", "2"},  {":WFMO:BN_FMT?", "RI"},    {":WFMO:BYT_OR?", "LSB"},
                     {":WFMO:NR_PT?", "4"},   {":WFMO:XINCR?", "1.0E-6"}, {":WFMO:XZERO?", "0"},
                     {":WFMO:PT_OFF?", "2"},  {":WFMO:YMULT?", "1E-4"},   {":WFMO:YOFF?", "5"},
                     {":WFMO:YZERO?", "0.5"}, {":ACQ:STATE?", "1"}};
    fake_.raw[":CURV?"] = scpi::write_block(words({5, 15, 10, 3338})) + "\n";
    scope_ = make<Scope>("scope-curve", "scope");
  }
  std::unique_ptr<Scope> scope_;
};

TEST_F(CurveScope, VoltsADivisionPollingAndSingleFields) {
  const auto actual = run(scope_->apply(two_channels()));
  ASSERT_TRUE(actual) << describe(actual.error());
  EXPECT_EQ(actual->channels[0].full_scale_v, 2.0) << "10 divisions of 0.2 V";
  const Heard heard = said();
  EXPECT_EQ(std::count(heard.begin(), heard.end(), ":CH1:SCA 0.2"), 1);

  ASSERT_TRUE(run(scope_->arm()));
  clock_.run([] { return false; }, clock_.now());  // until it has been heard
  EXPECT_EQ(said(), (Heard{":ACQ:STATE RUN"}));
  const auto alarm = clock_.arm(clock_.now() + std::chrono::milliseconds(110),
                                [&] { fake_.answers[":ACQ:STATE?"] = "0"; });
  ASSERT_TRUE(run(scope_->complete()));
  EXPECT_EQ(said().size(), 7u) << "asked every 20 ms";
  const auto capture = run(scope_->fetch({2}));
  ASSERT_TRUE(capture) << describe(capture.error());
  EXPECT_EQ(said().front(), ":DAT:SOU CH2");
  EXPECT_EQ(capture->channels[0].t0_s, -2e-6);
  EXPECT_DOUBLE_EQ(volts(capture->channels[0])[1], 0.5 + 10 * 1e-4);
}

TEST_F(CurveScope, AnAcquisitionThatNeverEndsEndsInTime) {
  ASSERT_TRUE(run(scope_->apply(two_channels())));
  const TimePoint start = clock_.now();
  const auto late = run(scope_->acquire());
  ASSERT_FALSE(late);
  EXPECT_EQ(late.error().kind, ErrorKind::timeout);
  EXPECT_EQ(describe(late.error()),
            "scope: ':ACQ:STATE?': the acquisition did not end in time; the last answer was '1'");
  EXPECT_LE(clock_.now() - start, std::chrono::milliseconds(3100));
  EXPECT_EQ(run(scope_->fetch({3})).error().kind, ErrorKind::bad_input);
}

class TraceScope : public test::Rig {};

TEST_F(TraceScope, VoltsAsFloatingPoint) {
  const float values[4] = {0.5F, -0.25F, 0.0F, 1.0F};
  std::string bytes(16, '\0');
  std::memcpy(bytes.data(), values, 16);
  fake_.raw[":TRAC? CH1"] = scpi::write_block(bytes) + "\n";
  const auto scope = make<Scope>("scope-trace", "scope");
  ScopeSetup setup = two_channels();
  setup.channels.pop_back();
  const auto actual = run(scope->apply(setup));
  ASSERT_TRUE(actual) << describe(actual.error());
  EXPECT_EQ(actual->sample_rate_hz, 1e6);
  const Heard heard = said();
  EXPECT_EQ(std::count(heard.begin(), heard.end(), ":SENS:SWE:TINT 1E-06"), 1);
  const auto capture = run(scope->acquire());
  ASSERT_TRUE(capture) << describe(capture.error());
  const ChannelCapture& one = capture->channels[0];
  EXPECT_EQ(volts(one), (std::vector<double>{0.5, -0.25, 0.0, 1.0}));
  EXPECT_DOUBLE_EQ(one.dt_s, 1e-6);
  EXPECT_DOUBLE_EQ(one.lowest_code, -1.0);
  EXPECT_DOUBLE_EQ(one.highest_code, 1.0 - 2.0 / 4096);
}

}  // namespace
}  // namespace nightbench::instrument
