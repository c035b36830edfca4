// Averages of a pair: what they bring, and that a board without a signal ends in its reason.
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <functional>
#include <stdexcept>

#include "tests/virtual_bench/virtual_bench.hpp"

namespace nightbench::engine {
namespace {

using testing::VirtualBench;

record::Run run_averaged(VirtualBench& bench, int averages,
                         const std::function<void(const record::Point&)>& at_point = {}) {
  const script::Plan plan = testing::make_plan(
      R"({"script": "averaged", "steps": [
           {"step": "power", "output": "on"},
           {"step": "sweep", "over": [
              {"axis": "offset", "list": ["5 kHz"]}, {"axis": "level", "list": ["-40 dBm"]},
              {"axis": "rf", "from": "10.12 MHz", "to": "10.13 MHz", "points": 3}],
            "do": [{"step": "pair", "averages": )" +
          std::to_string(averages) + "}]}]}",
      testing::library_text("board_types/heron-30.json"));
  record::MemoryJournal journal;
  struct Watch final : Observer {
    std::string id;
    std::function<void(const record::Point&)> told;
    void began(const record::Header& began) override { id = began.run_id; }
    void point(const record::Point& kept, const Progress&) override {
      if (told) told(kept);
    }
    void event(const record::Event&) override {}
    void ended(record::Outcome, const std::string&) override {}
  } watch;
  watch.told = at_point;
  const auto ending = bench.run_plan(plan, journal, "H30-001", &watch);
  EXPECT_TRUE(ending) << (ending ? "" : describe(ending.error()));
  auto run = journal.load(watch.id);
  EXPECT_TRUE(run);
  return run ? *run : record::Run{};
}

const record::Reading& reading(const record::Point& point, const std::string& quantity) {
  const auto found = std::ranges::find(point.readings, quantity, &record::Reading::quantity);
  if (found == point.readings.end()) throw std::runtime_error("no reading of " + quantity);
  return *found;
}

// Noise of independent records falls by the root of their number, and so does the frequency's share
// of it; SINAD rises by the same, +12 dB for 16, unless distortion is what bounds it.
TEST(Averages, BringTheNoiseDown) {
  const auto bench = VirtualBench::demo();
  const record::Run one = run_averaged(*bench, 1);
  const record::Run sixteen = run_averaged(*bench, 16);
  ASSERT_EQ(one.points.size(), 4U);
  ASSERT_EQ(sixteen.points.size(), 4U);
  for (std::size_t n = 1; n < 4; ++n) {
    const record::Point& a = one.points[n];
    const record::Point& b = sixteen.points[n];
    EXPECT_NEAR(*reading(b, "sinad_i").value - *reading(a, "sinad_i").value, 12, 1.5);
    const double apart = *reading(b, "phase_error").value - *reading(a, "phase_error").value;
    EXPECT_LE(std::fabs(apart), reading(a, "phase_error").expanded_u);
  }
}

TEST(Averages, OfASilentBoardAreNotWaitedFor) {
  const auto bench = VirtualBench::demo([](std::string& simulation, std::string&) {
    const std::string old = R"("H30-001": { "design": "30m" },)";
    simulation.replace(simulation.find(old), old.size(),
                       R"("H30-001": { "design": "30m", "faults": [{ "fault": "lo-missing", "pin": 2 },
                          { "fault": "lo-missing", "pin": 14 }] },)");
  });
  const record::Run run = run_averaged(*bench, 16);
  ASSERT_EQ(run.outcome, record::Outcome::complete) << run.outcome_text;
  ASSERT_EQ(run.points.size(), 4U);
  for (std::size_t n = 1; n < 4; ++n) {
    const record::Reading& seen = reading(run.points[n], "phase_error");
    EXPECT_FALSE(seen.value);
    EXPECT_EQ(seen.reason, "empty");
  }
  EXPECT_LT(bench->clock().now().time_since_epoch(), std::chrono::seconds(30));
}

// The trigger that the first averages had never comes again: a time-out and a single look, no more.
TEST(Averages, OfABoardThatFallsSilentEndInTheReason) {
  const auto bench = VirtualBench::demo();
  const record::Run run = run_averaged(*bench, 16, [&](const record::Point& kept) {
    if (kept.ordinal == 1) {
      EXPECT_TRUE(bench->simulation().place_board(""));
    }
  });
  ASSERT_EQ(run.outcome, record::Outcome::complete) << run.outcome_text;
  ASSERT_EQ(run.points.size(), 4U);
  EXPECT_TRUE(reading(run.points[1], "phase_error").value);
  EXPECT_EQ(reading(run.points[3], "phase_error").reason, "empty");
  EXPECT_LT(bench->clock().now().time_since_epoch(), std::chrono::seconds(60));
}

}  // namespace
}  // namespace nightbench::engine
