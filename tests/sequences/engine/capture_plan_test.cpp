#include "sequences/engine/capture_plan.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <random>

namespace nightbench::engine {
namespace {

TEST(CapturePlan, StepsAreOneTwoFive) {
  EXPECT_DOUBLE_EQ(step_at_or_below(1.0), 1.0);
  EXPECT_DOUBLE_EQ(step_at_or_below(1.99), 1.0);
  EXPECT_DOUBLE_EQ(step_at_or_below(4.99e6), 2e6);
  EXPECT_DOUBLE_EQ(step_at_or_below(9.99e-3), 5e-3);
  EXPECT_DOUBLE_EQ(step_at_or_above(1.01), 2.0);
  EXPECT_DOUBLE_EQ(step_at_or_above(5.01e-3), 10e-3);
  EXPECT_DOUBLE_EQ(step_at_or_above(2e6), 2e6);
}

TEST(CapturePlan, HoldsAtLeastTheWantedPeriodsForAnyIf) {
  const unsigned seed = 20261125;
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> decades(1.5, 6.0);
  for (int n = 0; n < 2000; ++n) {
    Expectation expected;
    expected.if_hz = std::pow(10, decades(random));
    expected.amplitude_v = 0.9;
    const CaptureSettings settings = plan_capture(expected);
    const double periods =
        expected.if_hz * static_cast<double>(settings.points) / settings.sample_rate_hz;
    EXPECT_GE(periods, 25 * (1 - 1e-9)) << "seed " << seed << " IF " << expected.if_hz;
    EXPECT_LE(periods, 2.5 * 25 * (1 + 1e-9)) << "seed " << seed << " IF " << expected.if_hz;
  }
}

TEST(CapturePlan, AimsAtSeventyPercentOfTheRange) {
  Expectation expected;
  expected.if_hz = 5000;
  expected.amplitude_v = 0.7;
  expected.offset_v = 2.5;
  const CaptureSettings settings = plan_capture(expected);
  EXPECT_NEAR(settings.full_scale_v, 2.0, 1e-12);
  EXPECT_EQ(settings.offset_v, 2.5);
}

CaptureSettings at(double full_scale_v) {
  CaptureSettings settings;
  settings.full_scale_v = full_scale_v;
  settings.offset_v = 2.5;
  return settings;
}

Seen swing(double amplitude_v, bool clipped = false) {
  Seen seen;
  seen.lowest_v = 2.5 - amplitude_v;
  seen.highest_v = 2.5 + amplitude_v;
  seen.widest_v = 2 * amplitude_v;
  seen.clipped = clipped;
  return seen;
}

TEST(CapturePlan, KeepsARangeThatIsWellFilled) {
  EXPECT_FALSE(replan(at(2.0), 2.0, swing(0.7)));
  EXPECT_FALSE(replan(at(2.0), 2.0, swing(0.31)));
}

TEST(CapturePlan, OpensAClippedRangeAndClosesAWideOne) {
  const auto opened = replan(at(2.0), 2.0, swing(1.0, true));
  ASSERT_TRUE(opened);
  EXPECT_DOUBLE_EQ(opened->full_scale_v, 5.0);
  const auto closed = replan(at(8.0), 8.0, swing(0.35));
  ASSERT_TRUE(closed);
  EXPECT_NEAR(closed->full_scale_v, 1.0, 1e-9);
}

TEST(CapturePlan, GivesUpAtTheEndsOfTheScope) {
  EXPECT_FALSE(replan(at(80), 80, swing(40, true)));
  EXPECT_FALSE(replan(at(8e-3), 8e-3, swing(1e-4)));
}

TEST(CapturePlan, LeavesARangeAloneThatStillFits) {
  Expectation expected;
  expected.if_hz = 5e3;
  expected.offset_v = 2.5;
  expected.amplitude_v = 1.0;
  const CaptureSettings standing = plan_capture(expected);
  const double actual = 4.0;  // what a scope makes of 2.86 V
  const auto kept = [&](double amplitude_v, double offset_v, double if_hz) {
    Expectation now = expected;
    now.amplitude_v = amplitude_v;
    now.offset_v = offset_v;
    now.if_hz = if_hz;
    const CaptureSettings wanted = plan_capture(now);
    const CaptureSettings got = keep_standing(wanted, standing, actual, now);
    return got.full_scale_v == standing.full_scale_v && got.sample_rate_hz == standing.sample_rate_hz;
  };
  EXPECT_TRUE(kept(1.05, 2.5, 5e3));
  EXPECT_TRUE(kept(0.75, 2.55, 5e3));
  EXPECT_FALSE(kept(0.6, 2.5, 5e3)) << "30 % of the range";
  EXPECT_FALSE(kept(1.7, 2.5, 5e3)) << "85 % of the range";
  EXPECT_FALSE(kept(1.05, 3.0, 5e3)) << "off centre";
  EXPECT_FALSE(kept(1.05, 2.5, 1e3)) << "another time base";
}

// Any signal a scope can show is brought into range within the tries the engine makes.
TEST(CapturePlan, FindsTheRangeWithinTheTries) {
  const unsigned seed = 4711;
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> decades(-1.8, 1.0);
  for (int n = 0; n < 2000; ++n) {
    const double amplitude = std::pow(10, decades(random));
    CaptureSettings settings = at(4.0);
    int tries = 1;
    for (;; ++tries) {
      const double actual = step_at_or_above(settings.full_scale_v / 8) * 8;
      const bool clipped = 2 * amplitude > actual;
      Seen seen = swing(std::min(amplitude, actual / 2), clipped);
      const auto next = replan(settings, actual, seen);
      if (!next) {
        EXPECT_FALSE(clipped) << "seed " << seed << " amplitude " << amplitude;
        break;
      }
      settings = *next;
      ASSERT_LE(tries, kMostRangeTries) << "seed " << seed << " amplitude " << amplitude;
    }
  }
}

}  // namespace
}  // namespace nightbench::engine
