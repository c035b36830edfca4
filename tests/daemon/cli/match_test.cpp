// The match of the scope's channels on the simulated bench: measured by a hand, then divided out.
#include <gmock/gmock.h>

#include <cmath>
#include <regex>

#include "bring_up.hpp"
#include "drivers/bench/match_file.hpp"

namespace nightbench::cli::testing {
namespace {

using ::testing::HasSubstr;

// A scope whose channels are 3 % and 40 ns apart, or exact.
std::unique_ptr<VirtualBench> bench_with_scope(bool exact, bool by_hand) {
  return VirtualBench::demo([&](std::string& simulation, std::string& bench) {
    simulation = std::regex_replace(simulation, std::regex(R"("gain_match": "[^"]*",)"),
                                    exact ? "\"gain_match\": 0," : "\"gain_match\": \"3 %\",");
    simulation = std::regex_replace(simulation, std::regex(R"("skew": "[^"]*")"),
                                    exact ? "\"skew\": \"0 s\"" : "\"skew\": \"40 ns\"");
    for (const char* each : {"\"gain_match\"", "\"skew\""}) {
      if (simulation.find(each) == std::string::npos) throw std::runtime_error(each);
    }
    const std::string sheet = "\"scope_gain_match\": \"0.5 %\", \"scope_skew\": \"1 ns\"";
    const std::size_t at = bench.find(sheet);
    if (at == std::string::npos) throw std::runtime_error("another data sheet");
    bench.replace(at, sheet.size(), "\"scope_gain_match\": \"4 %\", \"scope_skew\": \"50 ns\"");
    if (by_hand) bench = file_text("docs/examples/bench-bring-up.json");
  });
}

constexpr const char* kMatchScript = R"({
  "script": "match", "board_type": "heron-30",
  "steps": [
    { "step": "power", "output": "on" },
    { "step": "sweep", "over": [ { "axis": "level", "list": ["-40 dBm"] },
        { "axis": "rf", "list": ["10.125 MHz"] },
        { "axis": "offset", "list": ["2 kHz", "5 kHz", "20 kHz"] } ],
      "do": [ { "step": "match", "at": "i_out" } ] },
    { "step": "drive", "offset": "5 kHz" },
    { "step": "pair", "label": "after" },
    { "step": "power", "output": "off" } ] })";

constexpr const char* kPairScript = R"({
  "script": "pairs", "board_type": "heron-30",
  "steps": [
    { "step": "power", "output": "on" },
    { "step": "sweep", "over": [ { "axis": "level", "list": ["-40 dBm"] },
        { "axis": "rf", "list": ["10.125 MHz"] }, { "axis": "offset", "list": ["5 kHz", "-12 kHz"] } ],
      "do": [ { "step": "pair" } ] },
    { "step": "power", "output": "off" } ] })";

struct Matched {
  Done done;
  std::optional<bench::MatchFile> kept;
  std::vector<engine::Prompt> asked;
};

Matched run_script(VirtualBench& bench, const char* script) {
  Matched out;
  VirtualHand hand(bench.simulation(), std::nullopt);
  const script::Plan plan = make_plan(script, library_text("board_types/heron-30.json"));
  record::MemoryJournal journal;
  Watch watch;
  engine::Settings settings;
  settings.person = &hand;
  settings.keep_match = [&out](const bench::MatchFile& match) {
    out.kept = match;
    return Result<void>();
  };
  const auto ending = bench.run_plan(plan, journal, "H30-001", &watch, settings);
  if (!ending) throw std::runtime_error(describe(ending.error()));
  out.done.ending = *ending;
  out.done.run = *journal.load(watch.run_id);
  out.asked = hand.asked();
  return out;
}

const record::Reading& reading_of(const record::Point& point, const std::string& quantity) {
  for (const record::Reading& each : point.readings) {
    if (each.quantity == quantity) return each;
  }
  throw std::runtime_error("no " + quantity);
}

std::string event_text(const record::Run& run, const std::string& id) {
  for (const record::Event& each : run.events) {
    if (each.id == id) return each.text;
  }
  return "";
}

TEST(MatchStep, WiredProbesAreMovedOnceAndAskedBack) {
  const auto bench = bench_with_scope(false, false);
  ASSERT_TRUE(bench->open());
  const Matched seen = run_script(*bench, kMatchScript);
  ASSERT_EQ(seen.done.run.outcome, record::Outcome::complete) << told(seen.done);
  // One probe goes to the other's place, and back again.
  ASSERT_EQ(seen.asked.size(), 2U);
  EXPECT_EQ(seen.asked[0].port, "scope/2");
  EXPECT_EQ(seen.asked[0].test_point, "i_out");
  EXPECT_EQ(seen.asked[1].port, "scope/2");
  EXPECT_EQ(seen.asked[1].test_point, "q_out");
  EXPECT_THAT(seen.asked[0].text, HasSubstr("under power"));
  ASSERT_TRUE(seen.kept);
  EXPECT_EQ(seen.kept->rows.size(), 3U);
  EXPECT_EQ(seen.kept->first, "scope/1");
  EXPECT_EQ(seen.kept->second, "scope/2");
  EXPECT_THAT(event_text(seen.done.run, "match-kept"), HasSubstr(".match.json"));
  // The pair after the match has it divided out already.
  const record::Point& after = seen.done.run.points.back();
  EXPECT_LT(reading_of(after, "gain_balance").expanded_u, 0.06);  // 0.4 dB by the data sheet
}

// Against the same bench with exact channels: what is left of 3 % and 40 ns is within U.
TEST(MatchStep, WhatTheChannelsDoIsGoneFromTheReadings) {
  const auto exact = bench_with_scope(true, false);
  ASSERT_TRUE(exact->open());
  const Matched truth = run_script(*exact, kPairScript);
  const auto bench = bench_with_scope(false, false);
  ASSERT_TRUE(bench->open());
  const Matched before = run_script(*bench, kPairScript);
  EXPECT_THAT(event_text(before.done.run, "channels-not-matched"), HasSubstr("data sheet"));
  const Matched match = run_script(*bench, kMatchScript);
  ASSERT_TRUE(match.kept) << told(match.done);
  const Matched after = run_script(*bench, kPairScript);
  EXPECT_EQ(event_text(after.done.run, "channels-matched"), "measured in this run");
  double worst_before = 0;
  for (const std::size_t n : {1U, 2U}) {
    for (const char* quantity : {"gain_balance", "phase_error"}) {
      const record::Reading& as_is = reading_of(truth.done.run.points.at(n), quantity);
      const record::Reading& raw = reading_of(before.done.run.points.at(n), quantity);
      const record::Reading& mended = reading_of(after.done.run.points.at(n), quantity);
      ASSERT_TRUE(as_is.value && raw.value && mended.value) << told(after.done);
      worst_before = std::max(worst_before, std::fabs(*raw.value - *as_is.value));
      EXPECT_LT(std::fabs(*mended.value - *as_is.value), mended.expanded_u + 0.2 * as_is.expanded_u)
          << quantity;
      EXPECT_LT(mended.expanded_u, 0.5 * raw.expanded_u) << quantity;
    }
  }
  EXPECT_GT(worst_before, 0.05);  // the channels are that wrong
}

TEST(MatchStep, LooseProbesGoToTheNodeEachOnce) {
  const auto bench = bench_with_scope(false, true);
  ASSERT_TRUE(bench->open());
  const Matched seen = run_script(*bench, kMatchScript);
  ASSERT_EQ(seen.done.run.outcome, record::Outcome::complete) << told(seen.done);
  ASSERT_TRUE(seen.kept);
  EXPECT_EQ(seen.kept->rows.size(), 3U);
  // Two to the node; then the pair needs one of them elsewhere.
  EXPECT_EQ(seen.asked.size(), 3U);
}

TEST(MatchStep, AProbeThatIsElsewhereIsAskedForAgainAndNothingIsKept) {
  const auto bench = bench_with_scope(false, false);
  ASSERT_TRUE(bench->open());
  VirtualHand hand(bench->simulation(), std::nullopt);
  // Says done and leaves the probe on Q.
  Asked lazy(hand, [](const engine::Prompt&) {});
  int asked = 0;
  lazy.answer = [&asked](const engine::Prompt& prompt) -> std::optional<engine::Answer> {
    if (prompt.id == "match") ++asked;
    return engine::Answer::done;
  };
  const script::Plan plan = make_plan(
      R"({ "script": "m", "steps": [ { "step": "power", "output": "on" },
           { "step": "drive", "rf": "10.125 MHz", "level": "-40 dBm", "offset": "5 kHz" },
           { "step": "match", "at": "i_out" }, { "step": "power", "output": "off" } ] })",
      library_text("board_types/heron-30.json"));
  record::MemoryJournal journal;
  Watch watch;
  engine::Settings settings;
  settings.person = &lazy;
  bool kept = false;
  settings.keep_match = [&kept](const bench::MatchFile&) {
    kept = true;
    return Result<void>();
  };
  const auto ending = bench->run_plan(plan, journal, "H30-001", &watch, settings);
  ASSERT_TRUE(ending);
  const record::Run run = *journal.load(watch.run_id);
  const record::Point& point = run.points.back();
  EXPECT_EQ(reading_of(point, "match_gain").reason, "channels-disagree");
  EXPECT_FALSE(reading_of(point, "match_gain").value);
  EXPECT_EQ(point.attempts, 3);
  EXPECT_GE(asked, 3);
  EXPECT_FALSE(kept);
}

}  // namespace
}  // namespace nightbench::cli::testing
