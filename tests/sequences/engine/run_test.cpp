// The engine on a simulated bench, on virtual time: the main job's numbers against what the board
// really does, and against what the trade expects.
#include <gtest/gtest.h>

#include <cmath>
#include <map>

#include "tests/virtual_bench/virtual_bench.hpp"

namespace nightbench::engine {
namespace {

using testing::VirtualBench;

// A bench of two boards for 40 m, filter on 7.150 MHz, and a script for one drive.
std::unique_ptr<VirtualBench> bench_40m() {
  return VirtualBench::demo([](std::string& simulation, std::string&) {
    const std::string old = R"("H30-001": { "design": "30m" },)";
    const std::size_t at = simulation.find(old);
    ASSERT_NE(at, std::string::npos);
    simulation.replace(at, old.size(),
                       R"("H30-001": { "design": "30m", "values": { "filter_centre_hz": "7.15 MHz" } },)");
  });
}

std::map<std::string, record::Reading> readings_at(const std::string& rf, const std::string& lo) {
  const auto bench = bench_40m();
  const script::Plan plan = testing::make_plan(
      R"({"script": "one", "steps": [
           {"step": "power", "output": "on"},
           {"step": "drive", "rf": ")" + rf + R"(", "lo": ")" + lo + R"(", "level": "-40 dBm"},
           {"step": "pair"}]})",
      testing::library_text("board_types/heron-30.json"));
  record::MemoryJournal journal;
  record::Header header;
  std::string run_id;
  struct Watch final : Observer {
    std::string* id;
    void began(const record::Header& began) override { *id = began.run_id; }
    void point(const record::Point&, const Progress&) override {}
    void event(const record::Event&) override {}
    void ended(record::Outcome, const std::string&) override {}
  } watch;
  watch.id = &run_id;
  const auto ending = bench->run_plan(plan, journal, "H30-001", &watch);
  EXPECT_TRUE(ending) << (ending ? "" : describe(ending.error()));
  std::map<std::string, record::Reading> out;
  const auto run = journal.load(run_id);
  EXPECT_TRUE(run);
  if (!run) return out;
  EXPECT_EQ(run->outcome, record::Outcome::complete) << run->outcome_text;
  for (const record::Point& point : run->points) {
    for (const record::Reading& reading : point.readings) out[reading.quantity] = reading;
  }
  return out;
}

// Common practice, no source: with the LO at 7.150127 MHz, RF at 7.150 MHz gives 127 Hz and RF at
// 7.149 MHz gives 1127 Hz, both below the LO, where the sense of rotation is the reverse of that
// above it. The signed IF is f_RF - f_LO.
TEST(CommonPractice, RfBelowTheLoReads127And1127HzWithTheSenseReversed) {
  const struct {
    const char* rf;
    double if_hz;
  } cases[] = {{"7.150 MHz", -127.0}, {"7.149 MHz", -1127.0}, {"7.151254 MHz", 1127.0}};
  for (const auto& each : cases) {
    auto readings = readings_at(each.rf, "7.150127 MHz");
    const record::Reading& signed_if = readings["if_frequency"];
    ASSERT_TRUE(signed_if.value) << each.rf << ": " << signed_if.reason << ", " << signed_if.detail;
    // What was set, within what two sources of 1 ppm may be off (U of the IF error holds them) ...
    const record::Reading& error = readings["if_error"];
    ASSERT_TRUE(error.value) << error.detail;
    EXPECT_LT(error.expanded_u, 25) << each.rf;
    EXPECT_NEAR(*signed_if.value, each.if_hz, error.expanded_u) << each.rf;
    EXPECT_NEAR(*error.value, 0, error.expanded_u) << each.rf;
    // ... and what is there, within the time base alone: the simulated sources are 0.3 and -0.2 ppm
    // off, the scope's time base at most 2 ppm.
    EXPECT_NEAR(*signed_if.value, each.if_hz + 7.15e6 * 0.5e-6, 0.02) << each.rf;
    const record::Reading& phase = readings["phase_error"];
    ASSERT_TRUE(phase.value) << phase.detail;
    EXPECT_LT(std::fabs(*phase.value), 1.0) << each.rf;  // quadrature within 1 deg on a healthy board
    const record::Reading& angle = readings["q_minus_i"];
    ASSERT_TRUE(angle.value);
    EXPECT_GT(*angle.value * each.if_hz, 0) << "Q leads above the LO and lags below it";
  }
}

class Collected final : public Observer {
 public:
  void began(const record::Header& header) override { id = header.run_id; }
  void point(const record::Point&, const Progress& progress) override { last = progress; }
  void event(const record::Event& event) override { events.push_back(event); }
  void ended(record::Outcome outcome, const std::string&) override { end = outcome; }
  std::string id;
  Progress last;
  std::vector<record::Event> events;
  record::Outcome end = record::Outcome::unfinished;
};

record::Run run_response(VirtualBench& bench, const std::string& board, Collected& seen) {
  const script::Plan plan = testing::make_plan(testing::library_text("scripts/response.json"),
                                               testing::library_text("board_types/heron-30.json"));
  record::MemoryJournal journal;
  const auto ending = bench.run_plan(plan, journal, board, &seen);
  EXPECT_TRUE(ending) << (ending ? "" : describe(ending.error()));
  auto run = journal.load(seen.id);
  EXPECT_TRUE(run);
  return run ? *run : record::Run{};
}

// Every reading of the sweep agrees with what ideal instruments would read, within its own U.
TEST(Engine, EveryReadingOfASweepHoldsTheTruthWithinU) {
  const auto bench = VirtualBench::demo();
  Collected seen;
  const record::Run run = run_response(*bench, "H30-003", seen);
  ASSERT_EQ(run.points.size(), 56U);
  int compared = 0;
  int outside = 0;
  for (const record::Point& point : run.points) {
    if (point.label != "response") continue;
    const auto truth = bench->simulation().board_truth(point.at.at("rf_hz"), point.at.at("lo_hz"),
                                                       point.at.at("level_dbm"));
    const auto compare = [&](const std::string& quantity, double expected) {
      for (const record::Reading& reading : point.readings) {
        if (reading.quantity != quantity) continue;
        ASSERT_TRUE(reading.value) << quantity << ": " << reading.detail;
        const double low = reading.low.value_or(*reading.value - reading.expanded_u);
        const double high = reading.open_above
                                ? INFINITY
                                : reading.high.value_or(*reading.value + reading.expanded_u);
        ++compared;
        if (expected < low || expected > high) ++outside;
      }
    };
    // The demo's sources are 0.3 and -0.2 ppm off.
    compare("if_frequency", truth.if_hz + 0.3e-6 * point.at.at("rf_hz") + 0.2e-6 * point.at.at("lo_hz"));
    compare("gain_balance", 20 * std::log10(truth.gain_ratio));
    compare("phase_error", std::fabs(truth.q_after_i_deg) - 90);
    compare("image_rejection", truth.image_rejection_db);
    compare("i_amplitude", truth.i_v);
  }
  EXPECT_EQ(compared, 52 * 5);
  // k = 2 leaves 5 % outside when the errors are independent; one bench's errors are not.
  EXPECT_LE(outside, compared / 20);
}

TEST(Engine, LeavesTheBenchOffAndCountsItsPoints) {
  const auto bench = VirtualBench::demo();
  Collected seen;
  const record::Run run = run_response(*bench, "H30-001", seen);
  EXPECT_EQ(run.outcome, record::Outcome::complete);
  EXPECT_EQ(seen.end, record::Outcome::complete);
  EXPECT_EQ(seen.last.points_done, 56U);
  const mock::server::Truth truth = bench->simulation().truth();
  EXPECT_FALSE(truth.rf_on);
  EXPECT_FALSE(truth.lo_on);
  EXPECT_FALSE(truth.supply_on);
}

TEST(Engine, TheSameSeedGivesTheSameReadingsBitForBit) {
  const auto readings = [] {
    const auto bench = VirtualBench::demo();
    Collected seen;
    std::vector<double> out;
    const record::Run run = run_response(*bench, "H30-002", seen);
    for (const record::Point& point : run.points) {
      for (const record::Reading& reading : point.readings) out.push_back(reading.value.value_or(-1));
    }
    return out;
  };
  EXPECT_EQ(readings(), readings());
}

TEST(Engine, AShortOnTheSupplyTripsStopsTheRestAndLeavesEverythingOff) {
  const auto bench = VirtualBench::demo([](std::string& simulation, std::string&) {
    const std::string old = R"("H30-002": { "design": "30m" },)";
    simulation.replace(simulation.find(old), old.size(),
                       R"("H30-002": { "design": "30m",
                            "faults": [{ "fault": "supply-short", "rail": "supply_in", "ohm": 2 }] },)");
  });
  Collected seen;
  const record::Run run = run_response(*bench, "H30-002", seen);
  EXPECT_EQ(run.outcome, record::Outcome::unsafe) << run.outcome_text;
  for (const record::Point& point : run.points) EXPECT_NE(point.label, "response");
  EXPECT_FALSE(bench->simulation().truth().supply_on);
  EXPECT_FALSE(bench->simulation().truth().rf_on);
}

}  // namespace
}  // namespace nightbench::engine
