// Diagnosis on runs made by hand. What each fault does to I and Q is theory: a still LO line gives
// 0.6366 / 0.9003 of the amplitude (QSD-1 of the detector's check values: sinc of one half and of
// one quarter), half of a differential signal is 6 dB less, exchanged LO lines reverse the sense.
#include "sequences/diagnosis/diagnose.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <nlohmann/json.hpp>
#include <set>
#include <sstream>

#include "made_run.hpp"
#include "sequences/diagnosis/diagnosis_json.hpp"
#include "sequences/diagnosis/diagnosis_text.hpp"

namespace nightbench::diagnosis {
namespace {

using namespace testing;  // NOLINT: the helpers of this folder's tests

std::string told(const Diagnosis& found) { return json_of(found, run(), book()).dump(1); }

const double kOneLineStill_db = 20 * std::log10(0.6366197724 / 0.9003163162);

TEST(Diagnose, AGoodBoardIsCalledGood) {
  const Diagnosis found = must(diagnose(run(), book()));
  EXPECT_EQ(found.conclusion, Conclusion::healthy) << told(found);
  EXPECT_GT(found.healthy, 0.8);
}

TEST(Diagnose, AStillLoLineIsNamedByItsPin) {
  Outputs made;
  made.i_db = made.q_db = kOneLineStill_db;
  made.q_minus_i_deg = 180;
  const Diagnosis found = must(diagnose(run({{"outputs", outputs(made)}, {"lo", pair("lo", 0, kLo_v, 0)}}), book()));
  ASSERT_EQ(found.conclusion, Conclusion::fault) << told(found);
  EXPECT_EQ(found.causes.front().faults, std::vector<std::string>{"lo_missing_2"});
  EXPECT_FALSE(found.causes.front().repairs.empty());
  EXPECT_FALSE(found.causes.front().speaks_for.empty());
}

// I and Q alone cannot tell exchanged LO lines from an exchanged opposite pair.
TEST(Diagnose, WhatCannotBeToldApartIsUnclearAndTheNextCheckTellsIt) {
  Outputs made;
  made.q_minus_i_deg = -90;
  const Diagnosis found = must(diagnose(run({{"outputs", outputs(made)}}), book()));
  EXPECT_EQ(found.conclusion, Conclusion::unclear) << told(found);
  std::set<std::string> named;
  for (const Cause& each : found.causes) named.insert(each.faults.front());
  EXPECT_TRUE(named.contains("lo_swapped")) << told(found);
  EXPECT_TRUE(named.contains("pairs_swapped_90_270")) << told(found);
  ASSERT_FALSE(found.next.empty());
  EXPECT_EQ(found.next.front().id, "lo") << told(found);

  const Diagnosis swapped = must(diagnose(
      run({{"outputs", outputs(made)}, {"lo", pair("lo", 90, kLo_v, kLo_v)}}), book()));
  ASSERT_EQ(swapped.conclusion, Conclusion::fault) << told(swapped);
  EXPECT_EQ(swapped.causes.front().faults, std::vector<std::string>{"lo_swapped"});
}

TEST(Diagnose, ReadingsThatACauseDoesNotExplainSpeakAgainstIt) {
  // Q is 6 dB less, as with the resistor to its non-inverting input open; but the mid-rail is gone too.
  Outputs made;
  made.q_db = -5.7;
  const Diagnosis found = must(diagnose(
      run({{"outputs", outputs(made)}, {"mid_rail", single(reading("mid_rail", "V", 1.7, 0.005))}}),
      book(), {.most_causes = 40, .pairs = false}));
  const auto cause = std::ranges::find(found.causes, std::vector<std::string>{"plus_open_q"}, &Cause::faults);
  if (cause == found.causes.end()) GTEST_SKIP() << "not among the causes";
  EXPECT_TRUE(std::ranges::any_of(cause->speaks_for, [](const Says& says) {
    return says.title == "gain_balance";
  }));
  EXPECT_TRUE(std::ranges::any_of(cause->speaks_against, [](const Says& says) {
    return says.title == "mid_rail";
  }));
}

TEST(Diagnose, TwoFaultsAtOnceAreFound) {
  Outputs made;
  made.q_silent = true;
  made.q_offset_v = 0.2;
  const Diagnosis found = must(diagnose(
      run({{"outputs", outputs(made)},
           {"cross_6_13", single(reading("cross_6_13", "ohm", 5e6, 1e3))},
           {"via_0", single(reading("via_0", "ohm", 0.3, 0.01))}}),
      book()));
  ASSERT_FALSE(found.causes.empty());
  std::set<std::string> named(found.causes.front().faults.begin(), found.causes.front().faults.end());
  EXPECT_EQ(named, (std::set<std::string>{"op_amp_dead_q", "via_open_13"})) << told(found);
}

TEST(Diagnose, WhatNoFaultExplainsIsNotInTheBook) {
  // Supplies and mid-rail right, LO right, and yet I and Q far too strong, offset upwards, at an odd angle.
  Outputs made;
  made.i_db = 14;
  made.q_db = 22;
  made.q_minus_i_deg = 48;
  made.i_offset_v = 4.4;
  made.q_offset_v = 1.4;
  const Diagnosis found = must(diagnose(
      run({{"outputs", outputs(made)}, {"lo", pair("lo", -90, kLo_v, kLo_v)}}), book()));
  EXPECT_EQ(found.conclusion, Conclusion::not_in_the_book) << told(found);
  EXPECT_NE(found.sentence.find("does not look like anything"), std::string::npos);
}

TEST(Diagnose, NothingMeasuredIsNoDiagnosis) {
  record::Run empty = run();
  empty.points.clear();
  const Diagnosis found = must(diagnose(empty, book()));
  EXPECT_EQ(found.conclusion, Conclusion::nothing_measured);
  EXPECT_TRUE(found.causes.empty());
}

TEST(Diagnose, ARunWithoutItsBoardTypeIsRefused) {
  record::Run bare = run();
  bare.header.board_type_text = "";
  const auto found = diagnose(bare, book());
  ASSERT_FALSE(found);
  EXPECT_EQ(found.error().kind, ErrorKind::bad_input);
}

TEST(Diagnose, ProbabilitiesAddUpToOne) {
  const std::vector<Observation> evidence = evidence_of(run(), heron());
  double sum = 0;
  for (const Hypothesis& each : posterior(book(), judged(evidence, book(), heron()))) {
    EXPECT_GE(each.probability, 0);
    sum += each.probability;
  }
  EXPECT_NEAR(sum, 1, 1e-9);
}

TEST(DiagnosisText, KeepsToItsWidthAndNamesTheRepair) {
  Outputs made;
  made.q_silent = true;
  made.q_offset_v = 0.2;
  const record::Run faulty = run({{"outputs", outputs(made)}});
  const std::string text = text_of(must(diagnose(faulty, book())), faulty, 60);
  EXPECT_NE(text.find("Q output dead"), std::string::npos) << text;
  EXPECT_NE(text.find("Repair: "), std::string::npos) << text;
  std::istringstream lines(text);
  for (std::string line; std::getline(lines, line);) EXPECT_LE(line.size(), 60U) << line;
}

}  // namespace
}  // namespace nightbench::diagnosis
