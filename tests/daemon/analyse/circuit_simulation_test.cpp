// Every I/Q capture of the circuit simulation (ngspice, see the README of tests/data), read from
// its file, against the reference answers in cases.json.
#include <gtest/gtest.h>

#include <fstream>
#include <nlohmann/json.hpp>
#include <set>

#include "support.hpp"

namespace nightbench::analyse {
namespace {

using nlohmann::json;

json if_cases() {
  std::ifstream stream(test::simulated("x").parent_path() / "cases.json");
  const json all = json::parse(stream);
  json out = json::array();
  for (const json& each : all["cases"]) {
    if (each["kind"] == "if") out.push_back(each);
  }
  return out;
}

AnalyseOutcome analysed_case(const json& each) {
  AnalyseOptions options;
  options.capture = test::simulated(each["id"]);
  options.context.rf_hz = each["inputs"]["rf_hz"];
  options.context.lo_hz = each["inputs"]["lo_hz"];
  options.context.level_dbm = each["inputs"]["level_dbm"].get<double>();
  return test::analysed(options);
}

const std::set<std::string> clipped{"level_m28", "bias_low_20pct"};
const std::set<std::string> dead{"splitter_reversed"};
const std::set<std::string> half_dead{"pins_5_4_interchanged"};

TEST(CircuitSimulation, GoodCapturesGiveTheReferenceAnswers) {
  std::size_t compared = 0;
  for (const json& each : if_cases()) {
    const std::string id = each["id"];
    if (clipped.contains(id) || dead.contains(id) || half_dead.contains(id)) continue;
    SCOPED_TRACE(id);
    const AnalyseOutcome got = analysed_case(each);
    EXPECT_FALSE(got.refused.has_value()) << (got.refused ? got.refused->detail : "");
    const json& reference = each["reference"];
    const double f = reference["if_hz"];
    EXPECT_NEAR(test::value(got, "if_hz"), f, 1e-4 * f);
    EXPECT_NEAR(
        std::remainder(test::value(got, "q_minus_i_deg") - reference["q_minus_i_deg"].get<double>(),
                       360.0),
        0, 0.1);
    EXPECT_NEAR(test::value(got, "gain_balance_db"), reference["gain_imbalance_db"].get<double>(),
                0.02);
    EXPECT_NEAR(test::value(got, "i_amplitude_v"), reference["i_amplitude_v"].get<double>(),
                1e-3 * reference["i_amplitude_v"].get<double>());
    EXPECT_NEAR(test::value(got, "q_amplitude_v"), reference["q_amplitude_v"].get<double>(),
                1e-3 * reference["q_amplitude_v"].get<double>());
    EXPECT_NEAR(test::value(got, "i_offset_v"), reference["i_offset_v"].get<double>(), 1e-3);
    EXPECT_NEAR(test::value(got, "q_offset_v"), reference["q_offset_v"].get<double>(), 1e-3);
    // The simulation's own floor is near 80 dB (README).
    const double rejection_db = reference["image_rejection_formula_db"];
    if (rejection_db < 60) {
      EXPECT_NEAR(test::value(got, "image_rejection_db"), rejection_db, 0.1);
    } else {
      EXPECT_GT(test::value(got, "image_rejection_db"), 60);
    }
    ++compared;
  }
  EXPECT_EQ(compared, 25U);
}

TEST(CircuitSimulation, ClippedCapturesGiveNoReading) {
  std::size_t seen = 0;
  for (const json& each : if_cases()) {
    if (!clipped.contains(each["id"])) continue;
    SCOPED_TRACE(each["id"].get<std::string>());
    const AnalyseOutcome got = analysed_case(each);
    ASSERT_TRUE(got.refused.has_value());
    EXPECT_EQ(got.refused->reason, reading::Reason::clipped);
    for (const Quantity& quantity : got.quantities) {
      EXPECT_EQ(test::reason(got, quantity.name), "clipped") << quantity.name;
    }
    EXPECT_NE(as_text(got, false).find("NO READING, clipped"), std::string::npos);
    ++seen;
  }
  EXPECT_EQ(seen, clipped.size());
}

TEST(CircuitSimulation, ADeadBoardGivesItsOffsetsOnly) {
  std::size_t seen = 0;
  for (const json& each : if_cases()) {
    if (!dead.contains(each["id"])) continue;
    const AnalyseOutcome got = analysed_case(each);
    ASSERT_TRUE(got.refused.has_value());
    EXPECT_EQ(got.refused->reason, reading::Reason::empty);
    EXPECT_NEAR(test::value(got, "i_offset_v"), each["reference"]["i_offset_v"].get<double>(),
                1e-3);
    for (const Quantity& quantity : got.quantities) {
      if (quantity.name.ends_with("_offset_v")) continue;
      EXPECT_EQ(test::reason(got, quantity.name), "empty") << quantity.name;
    }
    ++seen;
  }
  EXPECT_EQ(seen, dead.size());
}

TEST(CircuitSimulation, OneDeadChannelLeavesTheOther) {
  std::size_t seen = 0;
  for (const json& each : if_cases()) {
    if (!half_dead.contains(each["id"])) continue;
    const AnalyseOutcome got = analysed_case(each);
    EXPECT_FALSE(got.refused.has_value());
    EXPECT_NEAR(test::value(got, "if_hz"), 5000, 0.5);
    EXPECT_NEAR(test::value(got, "i_amplitude_v"), each["reference"]["i_amplitude_v"].get<double>(),
                1e-3);
    for (const char* name : {"q_amplitude_v", "gain_balance_db", "image_rejection_db"}) {
      EXPECT_EQ(test::reason(got, name), "empty") << name;
    }
    ASSERT_FALSE(got.findings.empty());
    EXPECT_EQ(got.findings.front().kind, reading::FindingKind::channel_dead);
    ++seen;
  }
  EXPECT_EQ(seen, half_dead.size());
}

TEST(CircuitSimulation, TheSideOfTheRfShows) {
  std::size_t seen = 0;
  for (const json& each : if_cases()) {
    const std::string id = each["id"];
    if (!id.starts_with("healthy_") && id != "lo_swapped") continue;
    SCOPED_TRACE(id);
    const AnalyseOutcome got = analysed_case(each);
    const bool reversed =
        std::any_of(got.findings.begin(), got.findings.end(), [](const reading::Finding& finding) {
          return finding.kind == reading::FindingKind::sense_reversed;
        });
    EXPECT_EQ(reversed, id == "lo_swapped");
    const bool above = each["inputs"]["rf_hz"] > each["inputs"]["lo_hz"];
    EXPECT_EQ(test::value(got, "signed_if_hz") > 0, above != reversed);
    ++seen;
  }
  EXPECT_EQ(seen, 10U);
}

}  // namespace
}  // namespace nightbench::analyse
