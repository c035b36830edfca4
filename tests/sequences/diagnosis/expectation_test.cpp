#include "sequences/diagnosis/expectation.hpp"

#include <gtest/gtest.h>

#include <cmath>

namespace nightbench::diagnosis {
namespace {

Expectation near(double centre, double spread) { return {Kind::near, centre, spread, 0, 0}; }
Expectation between(double from, double to) { return {Kind::between, 0, 0, from, to}; }

// Every likelihood is a density over values and a probability of silence: together 1.
TEST(LogLikelihood, IntegratesToOne) {
  for (const Expectation& each :
       {near(-3, 0.7), between(-9, -2), Expectation{Kind::absent, 0, 0, 0, 0},
        Expectation{Kind::unknown, 0, 0, 0, 0}}) {
    double sum = std::exp(log_likelihood(each, near(0, 1), {0, 0, true}, Scale::db));
    constexpr double kStep = 0.005;
    const double from = each.kind == Kind::absent ? -80 : -30;  // the span of dB is 60
    for (double value = from; value < from + 60; value += kStep) {
      sum += kStep * std::exp(log_likelihood(each, near(0, 1), {value, 0.05, false}, Scale::db));
    }
    EXPECT_NEAR(sum, 1, 0.01) << static_cast<int>(each.kind);
  }
}

TEST(LogLikelihood, TurnsRound) {
  const Expectation opposite = near(180, 2);
  EXPECT_NEAR(log_likelihood(opposite, near(0, 1), {-179, 0.1, false}, Scale::degree),
              log_likelihood(opposite, near(0, 1), {181, 0.1, false}, Scale::degree), 1e-12);
  EXPECT_GT(log_likelihood(opposite, near(0, 1), {-179, 0.1, false}, Scale::degree),
            log_likelihood(opposite, near(0, 1), {170, 0.1, false}, Scale::degree));
}

TEST(LogLikelihood, OneStrayReadingCannotRuleAnythingOut) {
  const double floor = std::log(0.002 * 0.75 / 60) - 1e-6;
  EXPECT_GE(log_likelihood(near(0, 0.1), near(0, 0.1), {-29, 0.01, false}, Scale::db), floor);
}

TEST(LogLikelihood, UncertaintyWidensWhatIsExpected) {
  const Expectation sharp = near(0, 0.1);
  EXPECT_GT(log_likelihood(sharp, near(0, 1), {1, 1, false}, Scale::db),
            log_likelihood(sharp, near(0, 1), {1, 0.01, false}, Scale::db));
}

TEST(Combine, AddsShiftsAndKeepsSilence) {
  const Expectation healthy = near(90, 1);
  const Expectation both = combine(near(87, 1), near(95, 2), healthy, Scale::degree);
  EXPECT_DOUBLE_EQ(both.centre, 92);
  EXPECT_DOUBLE_EQ(both.spread, std::hypot(1, 2));
  const Expectation absent{Kind::absent, 0, 0, 0, 0};
  EXPECT_EQ(combine(absent, near(87, 1), healthy, Scale::degree).kind, Kind::absent);
  EXPECT_EQ(combine(healthy, near(87, 1), healthy, Scale::degree), near(87, 1));
  EXPECT_EQ(combine(between(0, 1), near(87, 1), healthy, Scale::degree).kind, Kind::unknown);
}

}  // namespace
}  // namespace nightbench::diagnosis
