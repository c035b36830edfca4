#include "sequences/report/number_text.hpp"

#include <gtest/gtest.h>

#include <limits>

namespace nightbench::report {
namespace {

TEST(Fixed, HasNoNegativeZeroAndNoNaN) {
  EXPECT_EQ(fixed(-0.004, 2), "0.00");
  EXPECT_EQ(fixed(-0.006, 2), "-0.01");
  EXPECT_EQ(fixed(12.5, 0), "12");
  EXPECT_EQ(fixed(std::numeric_limits<double>::quiet_NaN(), 2), "");
  EXPECT_EQ(fixed(-std::numeric_limits<double>::infinity(), 2), "");
  EXPECT_EQ(fixed(1.5e12, 3), "1.500000e+12");
}

// JCGM 100:2008 (GUM), 7.2.6: two significant digits of U at most, the value to the same place.
TEST(Decimals, FollowTwoDigitsOfU) {
  EXPECT_EQ(decimals_for(1.23456, 0.0213, {}, {}), 3);
  EXPECT_EQ(decimals_for(1.23456, 0.0996, {}, {}), 2);  // 0.10
  EXPECT_EQ(decimals_for(1.23456, 0.0994, {}, {}), 3);
  EXPECT_EQ(decimals_for(1234.0, 56.0, {}, {}), 0);
  EXPECT_EQ(decimals_for(1234.0, 5600.0, {}, {}), 0);
  EXPECT_EQ(decimals_for(1.0, 1.0, {}, {}), 1);
}

TEST(Decimals, ShowALimitExactlyWhereOneMoreDigitDoes) {
  EXPECT_EQ(decimals_for(0.1, 1.3, {}, 0.25), 2);
  EXPECT_EQ(decimals_for(0.1, 1.3, {}, 0.2537), 1);  // interpolated: not worth four digits
  EXPECT_EQ(decimals_for({}, 0, 9.5, 9.448163), 3);
}

TEST(Decimals, NeverRoundAValueAcrossItsLimit) {
  EXPECT_EQ(decimals_for(0.5004, 0.06, {}, 0.5), 4);   // 0.500 would look inside
  EXPECT_EQ(decimals_for(0.49996, 0.06, {}, 0.5), 5);  // 0.500 would look like the limit
  EXPECT_EQ(decimals_for(0.5, 0.06, {}, 0.5), 3);
}

TEST(Decimals, WithoutUShowSixDigitsAtMost) {
  EXPECT_EQ(decimals_for(1.0 / 3, 0, {}, {}), 6);
  EXPECT_EQ(decimals_for(2.5, 0, {}, {}), 1);
  EXPECT_EQ(decimals_for(123456789.0, 0, {}, {}), 0);
}

TEST(Scale, FollowsTheLimitSoThatATableKeepsOneUnit) {
  EXPECT_EQ(scale_for("V", 0.0021, {}, 5.0).unit, "V");
  EXPECT_EQ(scale_for("V", 0.0021).unit, "mV");
  EXPECT_EQ(scale_for("A", 0.0384, {}, 0.06).unit, "mA");
  EXPECT_EQ(scale_for("Hz", 10.12e6).unit, "MHz");
  EXPECT_EQ(scale_for("Hz", 5e5, -25.0, 25.0).unit, "kHz");  // 20000 times the limit
  EXPECT_EQ(scale_for("dB", 0.001).unit, "dB");
  EXPECT_EQ(scale_for("V/rtHz", 3e-8).unit, "nV/rtHz");
  EXPECT_EQ(scale_for("V", 0.0).unit, "V");
}

TEST(Coordinates, AreSaidInWords) {
  EXPECT_EQ(coordinate_text("rf_hz", 10.12e6), "10.12 MHz");
  EXPECT_EQ(coordinate_text("rf_hz", 10120001), "10.120001 MHz");
  EXPECT_EQ(coordinate_text("level_dbm", -40), "-40 dBm");
  EXPECT_EQ(coordinate_text("repeat", 3), "3");
  EXPECT_EQ(coordinate_title("bias_v"), "bias");
  EXPECT_EQ(typeset("deg"), "\u00b0");
  EXPECT_EQ(typeset("uV"), "\u00b5V");
  EXPECT_EQ(typeset("kohm"), "k\u03a9");
}

}  // namespace
}  // namespace nightbench::report
