// Time left and where the time went, on virtual time at the pace of real instruments.
#include <gtest/gtest.h>

#include <cmath>
#include <cstdio>
#include <nlohmann/json.hpp>

#include "tests/support/places.hpp"
#include "tests/support/process.hpp"
#include "tests/virtual_bench/virtual_bench.hpp"

namespace nightbench::engine {
namespace {

using testing::VirtualBench;

struct Look {
  double elapsed_s, left_s;
};

class Watch final : public Observer {
 public:
  void began(const record::Header&) override {}
  void point(const record::Point&, const Progress& progress) override {
    looks.push_back({progress.elapsed_s, progress.left_s});
  }
  void event(const record::Event& event) override {
    if (event.id == "time-spent") spent = event.text;
  }
  void ended(record::Outcome, const std::string&) override {}
  std::vector<Look> looks;
  std::string spent;
};

struct Seen {
  Ending ending;
  Watch watch;
  double bench_s = 0;    // that the run took on the bench's clock
  double imposed_s = 0;  // of these, that the instruments kept it waiting
};

Seen run_at_typical_pace(const std::string& script,
                         const std::map<std::string, std::string>& settings) {
  const std::string source = NIGHTBENCH_SOURCE_DIR;
  nlohmann::json bench_file = nlohmann::json::parse(
      testing::read_text(source + "/docs/examples/bench-simulated.json"), nullptr, true, true);
  // As a careful person would write it: what these sources take, with a little to spare.
  for (const char* each : {"generator", "clock"}) bench_file["instruments"][each]["settle"] = "11 ms";
  VirtualBench bench(testing::read_text(source + "/mock_instruments/benches/heron-30-typical.json"),
                     source + "/mock_instruments/benches", bench_file.dump());
  const script::Plan plan =
      testing::make_plan(script, testing::library_text("board_types/heron-30.json"), settings);
  record::MemoryJournal journal;
  Seen out;
  EXPECT_TRUE(bench.open());
  const double before_s = seconds(bench.clock().now().time_since_epoch());
  const double imposed_before_s = seconds(bench.simulation().imposed());
  const auto ending = bench.run_plan(plan, journal, "H30-001", &out.watch);
  EXPECT_TRUE(ending) << (ending ? "" : describe(ending.error()));
  if (ending) out.ending = *ending;
  out.bench_s = seconds(bench.clock().now().time_since_epoch()) - before_s;
  out.imposed_s = seconds(bench.simulation().imposed()) - imposed_before_s;
  EXPECT_EQ(out.ending.outcome, record::Outcome::complete) << out.ending.text;
  return out;
}

// The greatest error from the second minute on, as a share of what is really left; near the end the
// one measurement under way counts as nothing.
double worst_share(const Watch& watch, double one_s) {
  const double end_s = watch.looks.back().elapsed_s;
  double worst = 0;
  for (const Look& each : watch.looks) {
    if (each.elapsed_s < 120) continue;
    const double left_s = end_s - each.elapsed_s;
    const double error_s = std::max(0.0, std::fabs(each.left_s - left_s) - one_s);
    worst = std::max(worst, error_s / std::max(left_s, one_s));
  }
  return worst;
}

TEST(TimeLeft, IsRightWithinFivePercentFromTheSecondMinuteOn) {
  // Fast pairs first, slow ones last: what was not met yet has to be foreseen.
  const Seen overnight =
      run_at_typical_pace(testing::library_text("scripts/overnight.json"),
                          {{"rounds", "2"}, {"points", "20"}, {"averages", "64"}});
  const Seen response = run_at_typical_pace(testing::library_text("scripts/response.json"),
                                            {{"points", "600"}});
  const Seen mixed = run_at_typical_pace(
      R"({"script": "mixed", "board_type": "heron-30", "steps": [
           {"step": "power", "output": "on"},
           {"step": "repeat", "times": 60, "do": [
             {"step": "volts", "at": ["op_amp_supply", "switch_supply", "mid_rail"]},
             {"step": "sweep", "over": [
                {"axis": "level", "list": ["-40 dBm"]}, {"axis": "rf", "list": ["10.12 MHz"]},
                {"axis": "offset", "from": "200 Hz", "to": "20 kHz", "points": 5, "spacing": "log"}],
              "do": [{"step": "pair"}]},
             {"step": "wait", "for": "5 s"}]},
           {"step": "sweep", "over": [
              {"axis": "offset", "list": ["100 Hz", "1 kHz"]}, {"axis": "level", "list": ["-40 dBm"]},
              {"axis": "rf", "from": "10.1 MHz", "to": "10.15 MHz", "points": 40}],
            "do": [{"step": "pair", "averages": 4}]}]})",
      {});
  for (const auto& [name, seen, one_s] :
       {std::tuple("overnight", &overnight, 8.6), std::tuple("response", &response, 0.3),
        std::tuple("mixed", &mixed, 5.0)}) {
    ASSERT_GT(seen->watch.looks.back().elapsed_s, 240) << name;
    const double worst = worst_share(seen->watch, one_s);
    std::printf("%s: %zu points in %.0f s, at worst %.1f %% off\n", name, seen->watch.looks.size(),
                seen->watch.looks.back().elapsed_s, 100 * worst);
    EXPECT_LE(worst, 0.05) << name;
  }
}

// What the instruments impose is computed by the simulation: the union of all spans in which one of
// them runs a message, settles or acquires. The rest is the program's own.
TEST(Pace, IsWithinFivePercentOfWhatTheInstrumentsImpose) {
  for (const char* name : {"response", "overnight"}) {
    const Seen seen = run_at_typical_pace(
        testing::library_text(std::string("scripts/") + name + ".json"),
        name == std::string("overnight") ? std::map<std::string, std::string>{{"rounds", "1"}}
                                         : std::map<std::string, std::string>{{"points", "200"}});
    std::printf("%s: %.3f s, the instruments impose %.3f s, ratio %.4f\n", name, seen.bench_s,
                seen.imposed_s, seen.bench_s / seen.imposed_s);
    EXPECT_GT(seen.imposed_s, 0.5 * seen.bench_s);
    EXPECT_LE(seen.bench_s, 1.05 * seen.imposed_s) << name;
  }
}

TEST(StageTimes, AddUpToTheRun) {
  const Seen seen = run_at_typical_pace(testing::library_text("scripts/response.json"), {});
  const StageTimes& times = seen.ending.times;
  double sum = 0;
  for (std::size_t n = 0; n < kStages; ++n) sum += seconds(times.of(static_cast<Stage>(n)));
  EXPECT_LT(sum, seconds(seen.ending.took));
  EXPECT_GT(sum, 0.5 * seconds(seen.ending.took));
  // 52 points: 60 ms and a record of 5 ms each; 2 x 2 x 10 000 bytes at 1 MB/s; 11 ms for the sources,
  // less what else was done meanwhile.
  EXPECT_NEAR(seconds(times.of(Stage::acquisition)), 52 * 0.072, 52 * 0.006);
  EXPECT_NEAR(seconds(times.of(Stage::transfer)), 52 * 0.065, 52 * 0.02);
  EXPECT_LE(seconds(times.of(Stage::settling)), 52 * 0.02 + 1);
  EXPECT_EQ(times.of(Stage::analysis), Duration{}) << "on virtual time nobody waits for arithmetic";
  EXPECT_NE(seen.watch.spent.find("acquisition "), std::string::npos) << seen.watch.spent;
  std::printf("%s\n", seen.watch.spent.c_str());
}

}  // namespace
}  // namespace nightbench::engine
