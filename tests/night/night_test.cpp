// The night in the small, for every build; the whole one is tests/night/night_main.cpp.
#include <gtest/gtest.h>

#include "tests/night/night.hpp"

namespace nightbench::testing {
namespace {

TEST(Night, IsTheSameBitForBitForTheSameSeedAndAnotherForAnother) {
  const double kHours = 0.005;  // two runs
  const NightScript script{"response", {}};
  const Night first = run_night(kHours, 20261, script);
  const Night again = run_night(kHours, 20261, script);
  const Night other = run_night(kHours, 20262, script);
  EXPECT_GE(first.virtual_hours, kHours);
  EXPECT_GT(first.points, 50U);
  EXPECT_EQ(first.points, again.points);
  EXPECT_EQ(first.virtual_hours, again.virtual_hours);
  EXPECT_EQ(first.fingerprint, again.fingerprint);
  EXPECT_NE(first.fingerprint, other.fingerprint);
}

}  // namespace
}  // namespace nightbench::testing
