// A bench of six scripted instruments: opened, looked up, made safe whatever fails.
#include "drivers/bench/bench.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <map>

#include "../support/fake_instrument.hpp"
#include "../support/run.hpp"
#include "drivers/base/json.hpp"
#include "tests/support/places.hpp"

namespace nightbench::bench {
namespace {

using instrument::Role;
using test::FakeInstrument;
using Heard = std::vector<std::string>;

constexpr const char* kBench = R"({
  "bench": "workbench", "kind": "simulated", "simulation": "heron.json",
  "instruments": {
    "generator": {"role": "rf_source", "dialect": "rf-source-scpi"},
    "clock": {"role": "lo_source", "dialect": "lo-source-scpi"},
    "scope": {"role": "scope", "dialect": "scope-waveform"},
    "meter": {"role": "meter", "dialect": "meter-scpi"},
    "supply": {"role": "supply", "dialect": "supply-scpi"},
    "relays": {"role": "relays", "dialect": "relays-scpi"}
  },
  "connections": [
    {"port": "scope/1", "at": "i_out"}, {"port": "scope/2", "at": "q_out"},
    {"port": "meter", "via": "relays/101", "at": "op_amp_supply"},
    {"port": "meter", "via": "relays/103", "at": "mid_rail"}
  ],
  "safe": {"rf_level_most": "0 dBm", "supply_voltage_most": "15 V", "supply_current_most": "250 mA"}
})";

class BenchTest : public testing::Test {
 protected:
  template <typename T>
  T run(Awaitable<T> task) {
    return test::run(clock_, std::move(task));
  }
  FakeInstrument& fake(const std::string& name) {
    auto& slot = fakes_[name];
    if (!slot) {
      slot = std::make_unique<FakeInstrument>(clock_);
      if (name == "relays") {
        slot->answers = {{":ROUT:CLOS? (@101,103)", "0,0"},
                         {":ROUT:CLOS? (@101)", "0"},
                         {":ROUT:CLOS? (@103)", "1"}};
      }
    }
    return *slot;
  }
  Result<std::unique_ptr<Bench>> open(const std::string& text = kBench,
                                      BenchObserver observer = {}) {
    const auto node = json::parse(text, "bench.json");
    EXPECT_TRUE(node) << describe(node.error());
    const auto file = decode_bench(*node);
    EXPECT_TRUE(file) << describe(file.error());
    LinkMaker links = [this](const std::string& name,
                             const std::string&) -> Result<std::unique_ptr<link::Link>> {
      return fake(name).link();
    };
    const std::filesystem::path folder =
        std::filesystem::path(NIGHTBENCH_SOURCE_DIR) / "drivers" / "dialects";
    return run(Bench::open(*file, clock_, links, folder, observer));
  }
  bool said(const std::string& name, const std::string& command) {
    const Heard& heard = fake(name).received;
    return std::find(heard.begin(), heard.end(), command) != heard.end();
  }

  boost::asio::io_context context_;
  VirtualClock clock_{context_};
  std::map<std::string, std::unique_ptr<FakeInstrument>> fakes_;
};

TEST_F(BenchTest, OpensEveryInstrumentAndReachesItByRole) {
  std::map<std::string, int> sent;
  const auto bench = open(kBench, [&](const std::string& name, const scpi::Traffic& traffic) {
    if (traffic.kind == scpi::Traffic::Kind::sent) ++sent[name];
  });
  ASSERT_TRUE(bench) << describe(bench.error());
  Bench& b = **bench;
  EXPECT_EQ(b.rf_source()->name(), "generator");
  EXPECT_EQ(b.lo_source()->name(), "clock");
  EXPECT_EQ(b.scope()->name(), "scope");
  EXPECT_EQ(b.meter()->name(), "meter");
  EXPECT_EQ(b.supply()->name(), "supply");
  EXPECT_EQ(b.relays()->name(), "relays");
  EXPECT_EQ(b.all().size(), 6u);
  EXPECT_EQ(b.rf_source()->identity().maker, "Heronworks");
  EXPECT_EQ(sent.size(), 6u) << "the observer sees every instrument";
  EXPECT_TRUE(b.require(instrument::all_roles()));
  EXPECT_EQ(b.scope_channel("q_out").value(), 2);
  EXPECT_EQ(describe(b.scope_channel("lo_0").error()),
            "bench.json: no scope channel is wired to 'lo_0'");
}

TEST_F(BenchTest, AbsentRolesAreNullAndRequiredOnesAnError) {
  const auto bench = open(R"({"bench": "small", "kind": "simulated", "simulation": "x.json",
    "instruments": {"meter": {"role": "meter", "dialect": "meter-scpi"}}})");
  ASSERT_TRUE(bench) << describe(bench.error());
  EXPECT_EQ((*bench)->rf_source(), nullptr);
  EXPECT_EQ((*bench)->relays(), nullptr);
  EXPECT_NE((*bench)->meter(), nullptr);
  const auto missing = (*bench)->require({Role::rf_source, Role::meter, Role::scope});
  ASSERT_FALSE(missing);
  EXPECT_EQ(missing.error().kind, ErrorKind::bad_input);
  EXPECT_EQ(missing.error().message, "the bench 'small' has no rf_source, scope");
}

TEST_F(BenchTest, ADialectOfAnotherRoleIsRefusedBeforeAnythingIsTouched) {
  std::string text = kBench;
  text.replace(text.find("lo-source-scpi"), 14, "rf-source-scpi");
  const auto bench = open(text);
  ASSERT_FALSE(bench);
  EXPECT_EQ(bench.error().kind, ErrorKind::bad_input);
  EXPECT_EQ(bench.error().pointer, "/instruments/clock/dialect");
  EXPECT_EQ(bench.error().message,
            "the dialect 'rf-source-scpi' is for the role rf_source, not lo_source");
  EXPECT_EQ(fake("generator").connections, 0);
}

TEST_F(BenchTest, AnInstrumentThatIsNotThereIsNamedAndTheOthersGoOff) {
  fake("scope").away = true;
  const auto bench = open();
  ASSERT_FALSE(bench);
  EXPECT_EQ(bench.error().kind, ErrorKind::refused);
  EXPECT_EQ(describe(bench.error()), "scope: cannot connect: nobody is there");
  EXPECT_TRUE(said("generator", ":OUTP OFF"));
  EXPECT_TRUE(said("clock", ":OUTP2 OFF"));
  EXPECT_EQ(fake("supply").connections, 0) << "nothing more is touched";
}

TEST_F(BenchTest, AWrongIdentityIsRefused) {
  std::string text = kBench;
  text.replace(text.find("\"meter-scpi\""), 12, "\"meter-scpi\", \"identity\": \"^Other,\"");
  const auto bench = open(text);
  ASSERT_FALSE(bench);
  EXPECT_EQ(describe(bench.error()),
            "meter: '*IDN?': expected an identity like '^Other,', found 'Heronworks,F1,0001,1.0'");
}

TEST_F(BenchTest, ConnectMeterClosesOneRelayAndOpensTheOthers) {
  const auto bench = open();
  ASSERT_TRUE(bench);
  fake("relays").heard();
  const auto connected = run((*bench)->connect_meter("mid_rail"));
  ASSERT_TRUE(connected) << describe(connected.error());
  EXPECT_TRUE(said("relays", ":ROUT:OPEN (@101)"));
  EXPECT_TRUE(said("relays", ":ROUT:CLOS (@103)"));
  EXPECT_EQ(run((*bench)->connect_meter("q_out")).error().message,
            "the meter is not wired to 'q_out'");
}

TEST_F(BenchTest, AProbeMovedByHandIsWhereItWasPlaced) {
  std::string text = kBench;
  text.replace(text.find(R"({"port": "scope/1", "at": "i_out"})"), 34,
               R"({"port": "scope/1", "by_hand": true})");
  const auto bench = open(text);
  ASSERT_TRUE(bench) << describe(bench.error());
  Bench& b = **bench;
  EXPECT_FALSE(b.scope_channel("sw_6"));
  b.place("scope/1", "sw_6");
  EXPECT_EQ(b.scope_channel("sw_6").value(), 1);
  b.place("scope/1", "sw_3");
  EXPECT_EQ(b.scope_channel("sw_3").value(), 1);
  EXPECT_FALSE(b.scope_channel("sw_6")) << "it has left";
  b.place("scope/2", "sw_6");
  EXPECT_FALSE(b.scope_channel("sw_6")) << "a wired channel is not moved";
  b.place("scope/1", "");
  EXPECT_FALSE(b.scope_channel("sw_3"));
}

TEST_F(BenchTest, MakeSafeSwitchesEverythingOffInOrder) {
  const auto bench = open();
  ASSERT_TRUE(bench);
  for (auto& [name, one] : fakes_) one->heard();
  EXPECT_TRUE(run((*bench)->make_safe()).empty());
  EXPECT_TRUE(said("generator", ":OUTP OFF"));
  EXPECT_TRUE(said("generator", ":OUTP?"));
  EXPECT_TRUE(said("clock", ":OUTP1 OFF"));
  EXPECT_TRUE(said("clock", ":OUTP2 OFF"));
  EXPECT_TRUE(said("supply", ":OUTP OFF"));
  EXPECT_TRUE(said("relays", ":ROUT:OPEN:ALL"));
  EXPECT_TRUE(fake("scope").received.empty());
  EXPECT_TRUE(fake("meter").received.empty());
}

// Each instrument fails in each way; the others are switched off all the same, in bounded time.
TEST_F(BenchTest, MakeSafeGoesOnWhateverFails) {
  const std::vector<std::string> drivers{"generator", "clock", "supply", "relays"};
  const std::vector<std::string> off{":OUTP OFF", ":OUTP1 OFF", ":OUTP OFF", ":ROUT:OPEN:ALL"};
  for (std::size_t broken = 0; broken < drivers.size(); ++broken) {
    for (const char* how : {"gone", "deaf", "stuck"}) {
      SCOPED_TRACE(drivers[broken] + " " + how);
      fakes_.clear();
      const auto bench = open();
      ASSERT_TRUE(bench) << describe(bench.error());
      for (auto& [name, one] : fakes_) one->heard();
      FakeInstrument& bad = fake(drivers[broken]);
      if (std::string(how) == "gone") {
        bad.away = true;
        bad.drop_connection();
      } else if (std::string(how) == "deaf") {
        bad.latency = std::chrono::hours(1);
      } else {
        for (const char* query : {":OUTP?", ":OUTP1?", ":ROUT:CLOS? (@101,103)"}) {
          bad.answers[query] = "1";
        }
      }
      const TimePoint start = clock_.now();
      const auto left = run((*bench)->make_safe(std::chrono::seconds(2)));
      EXPECT_LE(clock_.now() - start, std::chrono::milliseconds(2100));
      ASSERT_EQ(left.size(), 1u);
      EXPECT_EQ(left[0].instrument, drivers[broken]);
      EXPECT_EQ(left[0].error.instrument, drivers[broken]);
      for (std::size_t i = 0; i < drivers.size(); ++i) {
        if (i != broken) {
          EXPECT_TRUE(said(drivers[i], off[i])) << drivers[i];
        }
      }
    }
  }
}

TEST_F(BenchTest, MakeSafeCancelsWhatIsPendingAndRevivesAClosedBench) {
  const auto bench = open();
  ASSERT_TRUE(bench);
  FakeInstrument& generator = fake("generator");
  generator.silent = {":SOUR:FREQ?"};
  const auto pending =
      test::start(context_, (*bench)->rf_source()->apply(instrument::RfSetting{1e6, -30, true}));
  clock_.run([] { return false; }, clock_.now());
  ASSERT_FALSE(pending->done);
  generator.heard();
  EXPECT_TRUE(run((*bench)->make_safe()).empty());
  EXPECT_TRUE(pending->done);
  EXPECT_EQ(pending->value->error().kind, ErrorKind::cancelled);
  EXPECT_TRUE(said("generator", ":OUTP OFF"));

  (*bench)->close();
  generator.heard();
  EXPECT_TRUE(run((*bench)->make_safe()).empty());
  EXPECT_TRUE(said("generator", ":OUTP OFF"));
}

}  // namespace
}  // namespace nightbench::bench
