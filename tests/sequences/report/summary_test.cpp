#include "sequences/report/summary.hpp"

#include <gmock/gmock.h>

#include <limits>
#include <random>

#include "sample_runs.hpp"
#include "sequences/report/advice.hpp"

namespace nightbench::report {
namespace {

using record::Decision;
using record::Reading;
using ::testing::HasSubstr;

Reading reading(double value, double u, std::optional<double> lower, std::optional<double> upper) {
  return sample::reading("gain_balance", "I/Q gain balance", "dB", value, u, lower, upper);
}

TEST(ShownReading, RoundsValueUAndLimitAlike) {
  const Shown text = shown(reading(-0.31249, 0.0213, -0.5, 0.5));
  EXPECT_EQ(text.value, "-0.312");
  EXPECT_EQ(text.u, "0.021");
  EXPECT_EQ(text.limit, "-0.500 to 0.500 dB");
  EXPECT_EQ(text.full, "-0.312 dB (U = 0.021 dB)");
}

TEST(ShownReading, AValueOutsideNeverLooksInside) {
  const Shown text = shown(reading(0.50004, 0.06, {}, 0.5));
  EXPECT_EQ(text.value, "0.50004");
  EXPECT_EQ(text.upper, "0.50000");
}

TEST(ShownReading, AMissingReadingIsSaidAndNeverZero) {
  Reading missing = reading(0, 0.1, 9.0, {});
  missing.value.reset();
  missing.expanded_u = 0;
  missing.reason = "clipped";
  const Shown text = shown(missing);
  EXPECT_EQ(text.value, "no reading");
  EXPECT_EQ(text.u, "");
  EXPECT_EQ(text.full, "no reading (clipped)");
  EXPECT_EQ(text.limit, "at least 9 dB");
}

TEST(ShownReading, AValueNearZeroTakesThePrefixOfItsUncertainty) {
  const Shown text =
      shown(sample::reading("if_error", "IF error", "Hz", -296e-6, 29.0, std::nullopt, std::nullopt));
  EXPECT_EQ(text.unit, "Hz");
  EXPECT_EQ(text.value, "0");
  EXPECT_EQ(text.u, "29");
}

TEST(ShownReading, WhatIsNotFiniteIsNoReading) {
  const Shown text = shown(reading(std::nan(""), std::nan(""), {}, std::nan("")));
  EXPECT_EQ(text.value, "no reading");
  EXPECT_EQ(text.limit, "");
  EXPECT_EQ(shown(reading(1, std::numeric_limits<double>::infinity(), {}, {})).u, "not known");
}

TEST(ShownReading, AnOpenEndIsBetterThan) {
  Reading open = reading(65.3, 0, 30, {});
  open.low = 61.2;
  open.open_above = true;
  EXPECT_EQ(shown(open).value, "> 61.2");
  EXPECT_EQ(shown(open).full, "better than 61.2 dB");
}

TEST(ShownReading, AnIntervalOpenBelowIsAnUpperBound) {
  Reading open = reading(-80, 0, {}, {});
  open.high = -71.2;
  EXPECT_EQ(shown(open).value, "< -71.2");
  EXPECT_EQ(shown(open).u, "");
}

TEST(SummaryOfARun, HealthyPasses) {
  const record::Run run = sample::healthy();
  const Summary summary = summarise(run);
  EXPECT_EQ(summary.verdict, record::Verdict::pass);
  EXPECT_EQ(summary.headline, "All 264 judged readings are inside their limits");
  EXPECT_TRUE(summary.reasons.empty());
  EXPECT_EQ(summary.quantities.size(), 10U);
  EXPECT_EQ(summary.measured, 53U);
}

TEST(SummaryOfARun, FaultySaysWhatIsOutsideAndWhatIsMissing) {
  const record::Run run = sample::faulty();
  const Summary summary = summarise(run);
  EXPECT_EQ(summary.verdict, record::Verdict::fail);
  EXPECT_EQ(summary.headline,
            "Outside the limits: I/Q gain balance, I/Q phase error and Image rejection");
  ASSERT_EQ(summary.reasons.size(), 4U);
  EXPECT_THAT(summary.reasons[0], HasSubstr("49 of 52 readings outside"));
  EXPECT_EQ(
      summary.reasons[3],
      "IF error, Conversion gain, I/Q gain balance and 2 more: 3 of 52 places have no reading: "
      "clipped");
  EXPECT_EQ(summary.missing, 15U);  // the amplitude has no limit: it is not waited for
  EXPECT_EQ(summary.failed, 147U);
}

TEST(SummaryOfARun, TheWorstIsTheOneFurthestOutInUnitsOfU) {
  record::Run run;
  run.outcome = record::Outcome::complete;
  for (const auto& [value, u] : {std::pair{0.7, 0.01}, std::pair{0.9, 0.2}, std::pair{0.2, 0.01}}) {
    record::Point& point = run.points.emplace_back();
    point.ordinal = run.points.size();
    point.readings.push_back(reading(value, u, -0.5, 0.5));
  }
  const Summary summary = summarise(run);
  EXPECT_EQ(*summary.quantities.at(0).worst->value, 0.7);
}

TEST(SummaryOfARun, ACutRunHasNoVerdictAndSaysWhy) {
  record::Run run = sample::healthy();
  run.points.resize(20);
  run.outcome = record::Outcome::bench_failed;
  run.outcome_text = "scope: no answer";
  const Summary summary = summarise(run);
  EXPECT_EQ(summary.headline, "The bench failed during the run: scope: no answer");
  EXPECT_THAT(summary.reasons, ::testing::Contains("20 of 53 planned points were measured"));
}

TEST(SummaryOfARun, NothingJudgedIsNoVerdict) {
  record::Run run;
  run.outcome = record::Outcome::complete;
  const Summary summary = summarise(run);
  EXPECT_EQ(summary.verdict, record::Verdict::none);
  EXPECT_THAT(summary.headline, HasSubstr("judged nothing"));
}

TEST(SummaryOfARun, AlwaysAgreesWithTheVerdictOfTheRecord) {
  std::mt19937 random(7);
  for (int i = 0; i < 300; ++i) {
    record::Run run;
    run.outcome = static_cast<record::Outcome>(random() % 2);
    record::Point& point = run.points.emplace_back();
    for (unsigned n = random() % 4; n > 0; --n) {
      Reading& each = point.readings.emplace_back();
      each.quantity = std::to_string(random() % 2);
      each.decision = static_cast<Decision>(random() % 6);
      if (random() % 2 == 0) each.limit.upper = 1;
    }
    const Summary summary = summarise(run);
    EXPECT_EQ(summary.verdict, record::verdict(run));
    EXPECT_FALSE(summary.headline.empty());
    EXPECT_FALSE(next_steps(run, summary, {}).empty());
  }
}

TEST(Where, NamesTheSideOfTheLo) {
  record::Point point;
  point.at = {
      {"rf_hz", 10.12e6}, {"lo_hz", 10.125e6}, {"offset_hz", -4999.9999999}, {"level_dbm", -40}};
  EXPECT_EQ(where(point), "RF 10.12 MHz, 5 kHz below LO, -40 dBm");
  point.at = {{"repeat", 2}, {"rf_hz", std::nan("")}};
  EXPECT_EQ(where(point), "repeat 2");
}

TEST(Overdue, ComparesDates) {
  record::Instrument instrument;
  const WallTime when = sample::at_second(0);  // 2026-11-25
  for (const auto& [due, late] : {std::pair{"2026-11-24", true}, std::pair{"2026-11-25", false},
                                  std::pair{"2027-01-01", false}, std::pair{"", false},
                                  std::pair{"24.11.2026", false}, std::pair{"soon", false}}) {
    instrument.calibration_due = due;
    EXPECT_EQ(overdue(instrument, when), late) << due;
  }
}

TEST(NextSteps, AFindingComesBeforeTheGeneralRules) {
  const record::Run run = sample::faulty();
  const Summary summary = summarise(run);
  Finding finding;
  finding.next_check = "Measure C7";
  EXPECT_EQ(next_steps(run, summary, {finding}).front(), "Measure C7");
  EXPECT_THAT(next_steps(run, summary, {}).front(), HasSubstr("Compare I and Q"));
}

TEST(NextSteps, AfterAStopForSafetyThePowerStaysOff) {
  record::Run run = sample::faulty();
  run.outcome = record::Outcome::unsafe;
  EXPECT_THAT(next_steps(run, summarise(run), {}).front(), HasSubstr("Leave the power off"));
}

TEST(Cautions, HoldTheUsualOnesAndThoseOfTheBoardType) {
  const auto all = cautions(sample::healthy());
  std::string text;
  for (const std::string& each : all) text += each + "\n";
  for (const char* part : {"mains earth", "polarity", "electrostatic", "licence", "Local rules",
                           "different supplies"}) {
    EXPECT_THAT(text, HasSubstr(part));
  }
  record::Run broken;
  broken.header.board_type_text = "{ not json";
  EXPECT_EQ(cautions(broken).size(), 5U);
}

}  // namespace
}  // namespace nightbench::report
