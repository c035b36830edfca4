#include "sequences/reading/decision.hpp"

#include <gmock/gmock.h>

#include <limits>

namespace nightbench::reading {
namespace {

Reading reading(double value, double U) {
  Reading r;
  r.quantity = "image_rejection_db";
  r.value = value;
  r.unit = "dB";
  r.U = U;
  return r;
}

const Limits at_least_35{.lower = 35.0, .upper = std::nullopt};

// UNC-17: ILAC-G8:09/2019, w = U, lower limit 35 dB, U 1.5 dB.
TEST(Decisions, Unc17FourWay) {
  EXPECT_EQ(decide(reading(38.0, 1.5), at_least_35).verdict, Verdict::pass);
  EXPECT_EQ(decide(reading(36.2, 1.5), at_least_35).verdict, Verdict::conditional_pass);
  EXPECT_EQ(decide(reading(35.4, 1.5), at_least_35).verdict, Verdict::conditional_pass);
  EXPECT_EQ(decide(reading(34.2, 1.5), at_least_35).verdict, Verdict::conditional_fail);
  EXPECT_EQ(decide(reading(33.0, 1.5), at_least_35).verdict, Verdict::fail);
}

// Equality belongs to the better class.
TEST(Decisions, EqualityIsTheBetterClass) {
  EXPECT_EQ(decide(reading(36.5, 1.5), at_least_35).verdict, Verdict::pass);
  EXPECT_EQ(decide(reading(35.0, 1.5), at_least_35).verdict, Verdict::conditional_pass);
  EXPECT_EQ(decide(reading(33.5, 1.5), at_least_35).verdict, Verdict::conditional_fail);
  const Limits at_most_2{.lower = std::nullopt, .upper = 2.0};
  EXPECT_EQ(decide(reading(1.5, 0.5), at_most_2).verdict, Verdict::pass);
  EXPECT_EQ(decide(reading(2.0, 0.5), at_most_2).verdict, Verdict::conditional_pass);
  EXPECT_EQ(decide(reading(2.5, 0.5), at_most_2).verdict, Verdict::conditional_fail);
  EXPECT_EQ(decide(reading(2.5001, 0.5), at_most_2).verdict, Verdict::fail);
}

// UNC-18: probability of conformity (JCGM 106:2012, clause 7, from memory).
TEST(Decisions, Unc18Conformity) {
  const double rows[][2] = {{38.0, 0.999968329},
                            {36.5, 0.977249868},
                            {35.4, 0.703098571},
                            {34.2, 0.143061192},
                            {33.0, 0.003830381}};
  for (const auto& row : rows) {
    EXPECT_NEAR(conformity(row[0], 0.75, at_least_35), row[1], 1e-8);
    EXPECT_NEAR(*decide(reading(row[0], 1.5), at_least_35).conformity, row[1], 1e-8);
  }
}

// UNC-19: worst false accept with a guard band.
TEST(Decisions, Unc19GuardBands) {
  EXPECT_NEAR(worst_false_accept(3.0), 9.87e-10, 1e-11);
  EXPECT_NEAR(worst_false_accept(1.5), 0.00134990, 1e-7);
  EXPECT_NEAR(worst_false_accept(1.0), 0.02275013, 1e-7);
  EXPECT_LT(worst_false_accept(1.0), 0.025);  // as published for w = U
  EXPECT_NEAR(worst_false_accept(0.83), 0.04845723, 1e-7);
  EXPECT_NEAR(worst_false_accept(0.5), 0.15865525, 1e-7);
  EXPECT_NEAR(worst_false_accept(0.0), 0.5, 1e-12);
}

// DC-5: 5.00 V with U 0.05196 against 4.75 .. 5.25 V: accepted from 4.80196 to 5.19804.
TEST(Decisions, Dc5AcceptanceInterval) {
  const Limits supply{.lower = 4.75, .upper = 5.25};
  const double U = 0.0519615242;
  EXPECT_EQ(decide(reading(4.8019616, U), supply).verdict, Verdict::pass);
  EXPECT_EQ(decide(reading(4.8019614, U), supply).verdict, Verdict::conditional_pass);
  EXPECT_EQ(decide(reading(5.1980384, U), supply).verdict, Verdict::pass);
  EXPECT_EQ(decide(reading(5.1980386, U), supply).verdict, Verdict::conditional_pass);
  EXPECT_FALSE(decide(reading(5.0, U), supply).limits_too_close);
}

TEST(Decisions, TwoLimitsTakeTheWorseSideAndSayWhenTooClose) {
  const Limits narrow{.lower = -1.0, .upper = 1.0};
  const Decision wide = decide(reading(0.0, 1.2), narrow);
  EXPECT_TRUE(wide.limits_too_close);
  EXPECT_EQ(wide.verdict, Verdict::conditional_pass);
  EXPECT_THAT(wide.detail, testing::HasSubstr("closer together"));
  EXPECT_EQ(decide(reading(1.5, 0.2), narrow).verdict, Verdict::fail);
  EXPECT_EQ(decide(reading(-1.1, 0.2), narrow).verdict, Verdict::conditional_fail);
}

// No reading is "not measured", whatever the limit; nor is a value that is no number a fail.
TEST(Decisions, NoReadingIsNeverFail) {
  const Decision none = decide(Outcome(no_reading(Reason::clipped, "I: 12 codes")), at_least_35);
  EXPECT_EQ(none.verdict, Verdict::no_reading);
  EXPECT_FALSE(none.conformity.has_value());
  EXPECT_THAT(none.detail, testing::HasSubstr("clipped"));
  EXPECT_THAT(none.detail, testing::HasSubstr("12 codes"));
  const double nan = std::numeric_limits<double>::quiet_NaN();
  EXPECT_EQ(decide(reading(nan, 1.0), at_least_35).verdict, Verdict::no_reading);
}

// An interval that is open above judges by its low end.
TEST(Decisions, OpenIntervalJudgesByItsLowEnd) {
  Reading better = reading(60.0, std::numeric_limits<double>::infinity());
  better.interval = Interval{44.0, std::numeric_limits<double>::infinity()};
  EXPECT_EQ(decide(better, at_least_35).verdict, Verdict::pass);
  EXPECT_EQ(decide(better, {.lower = 50.0, .upper = std::nullopt}).verdict,
            Verdict::conditional_pass);
  EXPECT_EQ(decide(better, {.lower = 70.0, .upper = std::nullopt}).verdict,
            Verdict::conditional_fail);
}

TEST(Decisions, WorseOfTwo) {
  EXPECT_EQ(worse(Verdict::pass, Verdict::fail), Verdict::fail);
  EXPECT_EQ(worse(Verdict::no_reading, Verdict::conditional_pass), Verdict::no_reading);
  EXPECT_EQ(worse(Verdict::no_reading, Verdict::conditional_fail), Verdict::conditional_fail);
}

}  // namespace
}  // namespace nightbench::reading
