// A short that shows only under power: the limit trips, everything is off within 200 ms of the trip
// being readable, and nothing that needs power is tried after it.
#include <gtest/gtest.h>

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/use_awaitable.hpp>

#include "bring_up.hpp"

namespace nightbench::cli {
namespace {

using namespace testing;  // NOLINT: the helpers of this folder's tests
using engine::Prompt;
using engine::PromptKind;
using std::chrono::milliseconds;

constexpr Duration kMostUntilOff = milliseconds(200);
const std::string kShorted =
    R"("H30-BAD": {"design": "30m", "faults": [{"fault": "supply-short", "rail": "supply_in", "ohm": 2}]},)";

// Looks at the bench every millisecond of virtual time.
struct Lookout {
  std::optional<TimePoint> tripped, off;
  bool over = false;

  void look(VirtualBench& bench) {
    const auto truth = bench.simulation().truth();
    const TimePoint now = bench.clock().now();
    if (truth.supply_tripped && !tripped) tripped = now;
    const bool quiet = !truth.supply_on && !truth.rf_on && !truth.lo_on;
    if (tripped && quiet && !off) off = now;
  }
  // The run has ended. Instruments that answer at once may have tripped and been switched off
  // between two looks.
  void finish(VirtualBench& bench) {
    over = true;
    if (!tripped) tripped = bench.clock().now();
    look(bench);
  }
  Awaitable<void> keep(VirtualBench& bench) {
    while (!over) {
      look(bench);
      co_await sleep_until(bench.clock(), bench.clock().now() + milliseconds(1));
    }
  }
};

// Answers nothing once it has dropped the screwdriver: the person looks at the smoke.
class Startled final : public engine::Operator {
 public:
  Startled(VirtualBench& bench, engine::Operator& hand, std::string at)
      : bench_(bench), hand_(hand), at_(std::move(at)) {}

  Awaitable<Result<engine::Reply>> ask(Prompt prompt) override {
    if (prompt.id != at_) co_return co_await hand_.ask(prompt);
    EXPECT_TRUE(bench_.simulation().truth().supply_on);
    EXPECT_TRUE(bench_.simulation().place_board("H30-BAD"));
    while (!withdrawn_)
      co_await sleep_until(bench_.clock(), bench_.clock().now() + milliseconds(5));
    co_return fail(ErrorKind::cancelled, "withdrawn");
  }
  void withdraw() override { withdrawn_ = true; }

 private:
  VirtualBench& bench_;
  engine::Operator& hand_;
  std::string at_;
  bool withdrawn_ = false;
};

void expect_off_in_time(VirtualBench& bench, const Lookout& lookout, const Done& done) {
  ASSERT_TRUE(lookout.tripped) << told(done);
  ASSERT_TRUE(lookout.off) << told(done);
  const Duration took = *lookout.off - *lookout.tripped;
  ::testing::Test::RecordProperty("milliseconds_until_off",
                                  static_cast<int>(took / milliseconds(1)));
  EXPECT_LE(took, kMostUntilOff) << took / milliseconds(1) << " ms";
  EXPECT_EQ(done.run.outcome, record::Outcome::unsafe) << told(done);
  EXPECT_NE(done.run.outcome_text.find("tripped"), std::string::npos) << done.run.outcome_text;
  const auto truth = bench.simulation().truth();
  EXPECT_FALSE(truth.supply_on || truth.rf_on || truth.lo_on);
}

class Trip : public ::testing::TestWithParam<const char*> {};

INSTANTIATE_TEST_SUITE_P(InstrumentsThat, Trip,
                         ::testing::Values("mock_instruments/benches/heron-30.json",
                                           "mock_instruments/benches/heron-30-typical.json"),
                         [](const auto& each) {
                           const std::string file = each.param;
                           return file.find("typical") == std::string::npos ? "AnswerAtOnce"
                                                                            : "TakeTheirTime";
                         });

TEST_P(Trip, AtFirstPowerEndsTheRun) {
  const auto bench = hand_bench(kShorted, GetParam());
  VirtualHand hand(bench->simulation(), std::nullopt);
  Lookout lookout;
  boost::asio::co_spawn(bench->io(), lookout.keep(*bench), boost::asio::detached);
  // The solder ball rolls after the last resistance was measured.
  const Done done = bring_up(*bench, "H30-001", hand, {}, [&](const record::Point& point) {
    if (!point.readings.empty() && point.readings[0].quantity == "switch_short") {
      EXPECT_TRUE(bench->simulation().place_board("H30-BAD"));
    }
  });
  lookout.finish(*bench);
  expect_off_in_time(*bench, lookout, done);
  for (const char* later : {"op_amp_supply", "lo.phase", "splitter.phase", "inputs.phase"}) {
    EXPECT_FALSE(done.readings.contains(later)) << later;
  }
}

TEST_P(Trip, WhileAPersonMovesAProbeEndsTheRun) {
  const auto bench = hand_bench(kShorted, GetParam());
  VirtualHand hand(bench->simulation(), std::nullopt);
  Startled person(*bench, hand, "inputs");  // supply, LO and RF are on
  Lookout lookout;
  boost::asio::co_spawn(bench->io(), lookout.keep(*bench), boost::asio::detached);
  const Done done = bring_up(*bench, "H30-001", person);
  lookout.finish(*bench);
  expect_off_in_time(*bench, lookout, done);
  EXPECT_TRUE(done.readings.contains("switch_90_270.phase"));
  EXPECT_FALSE(done.readings.contains("inputs.phase"));
  EXPECT_FALSE(done.readings.contains("conversion_gain"));
}

}  // namespace
}  // namespace nightbench::cli
