#include "sequences/reading/response.hpp"

#include <gmock/gmock.h>

#include <algorithm>
#include <cmath>
#include <numbers>

namespace nightbench::reading {
namespace {

constexpr double pi = std::numbers::pi;
std::complex<double> at(double size, double deg) {
  return std::polar(size, deg * pi / 180.0);
}

// SCO-4: swap of channels.
TEST(SwapMatch, Sco4) {
  const std::complex<double> q = at(0.98, -91.5);
  const std::complex<double> c = at(1.02, 0.4);
  EXPECT_NEAR(std::abs(q * c), 0.9996, 1e-9);
  EXPECT_NEAR(std::abs(q / c), 0.9607843137, 1e-9);
  const SwapMatch found = swap_match(q * c, q / c, -90.0);
  EXPECT_NEAR(std::abs(found.board), 0.98, 1e-9);
  EXPECT_NEAR(std::arg(found.board) * 180.0 / pi, -91.5, 1e-9);
  EXPECT_NEAR(std::abs(found.scope), 1.02, 1e-9);
  EXPECT_NEAR(std::arg(found.scope) * 180.0 / pi, 0.4, 1e-9);
  // The other sense takes the other branch.
  const std::complex<double> leading = at(0.98, 88.5);
  const SwapMatch other = swap_match(leading * c, leading / c, 90.0);
  EXPECT_NEAR(std::arg(other.board) * 180.0 / pi, 88.5, 1e-9);
}

// SCO-5: both sides of the LO.
TEST(SplitSides, Sco5) {
  const SideSplit found = split_sides(-92.22, 90.78, 10e3, 1, 0.02);
  EXPECT_NEAR(found.lo_phase_error_deg, 1.5, 1e-9);
  EXPECT_NEAR(found.delay_phase_deg, 0.72, 1e-9);
  EXPECT_NEAR(found.delay_s, 200e-9, 1e-15);
  EXPECT_NEAR(found.u_deg, 0.02 / std::sqrt(2.0), 1e-12);
  // Sense -1: above +(90 + phi) - delay, below -(90 + phi) - delay.
  const SideSplit other = split_sides(90.78, -92.22, 10e3, -1);
  EXPECT_NEAR(other.lo_phase_error_deg, 1.5, 1e-9);
  EXPECT_NEAR(other.delay_phase_deg, 0.72, 1e-9);
}

TEST(NodeMatch, GainAndSkewFromSeveralFrequencies) {
  std::vector<Ratio> ratios;
  for (double f : {1e3, 5e3, 20e3, 90e3}) {
    ratios.push_back({f, std::polar(1.02, -2.0 * pi * f * 3e-9), 1e-4});
  }
  const auto found = node_match(ratios);
  ASSERT_TRUE(found.has_value());
  EXPECT_NEAR(found->gain_ratio_db, 20.0 * std::log10(1.02), 1e-12);
  EXPECT_NEAR(found->skew_s, 3e-9, 1e-18);
  EXPECT_NEAR(found->u_gain_ratio_db, 8.686 * 1e-4 / 2.0, 1e-5);
  EXPECT_GT(found->u_skew_s, 0.0);
  EXPECT_FALSE(node_match({}).has_value());
  ratios[2].ratio = 0.0;
  EXPECT_FALSE(node_match(ratios).has_value());
}

// -3 dB edges of a second-order band-pass, against the closed form.
TEST(Edges, OfAResonance) {
  const double centre = 10.125e6;
  const double width = 2e6;
  std::vector<Point> points;
  for (double f = 7e6; f <= 14e6; f += 20e3) {
    const double x = (f / centre - centre / f) * centre / width;
    points.push_back({f, -10.0 * std::log10(1.0 + x * x), 0.01});
  }
  std::reverse(points.begin(), points.end());
  const Edges found = edges(points, 10.0 * std::log10(2.0));
  ASSERT_TRUE(found.lower.has_value());
  ASSERT_TRUE(found.upper.has_value());
  const double half = width / 2.0;
  EXPECT_NEAR(found.lower->value, std::sqrt(half * half + centre * centre) - half, 500.0);
  EXPECT_NEAR(found.upper->value, std::sqrt(half * half + centre * centre) + half, 500.0);
  EXPECT_NEAR(found.width->value, width, 1000.0);
  EXPECT_GT(found.lower->U, 0.0);
  // An edge beyond the points is not measured, with what was seen.
  points.erase(
      std::remove_if(points.begin(), points.end(), [](const Point& p) { return p.x < 9.5e6; }),
      points.end());
  const Edges cut = edges(points, 3.0);
  ASSERT_FALSE(cut.lower.has_value());
  EXPECT_EQ(cut.lower.error().reason, Reason::not_measured);
  EXPECT_THAT(cut.lower.error().detail, testing::HasSubstr("beyond"));
  EXPECT_FALSE(cut.width.has_value());
  EXPECT_TRUE(cut.upper.has_value());
}

TEST(Ripple, LargestLessSmallest) {
  const std::vector<Point> points = {{1, -1.0, 0.1}, {2, 0.5, 0.1}, {3, -0.2, 0.1}, {9, -30, 0.1}};
  const Outcome found = ripple_db(points, 0.0, 5.0);
  ASSERT_TRUE(found.has_value());
  EXPECT_DOUBLE_EQ(found->value, 1.5);
  EXPECT_NEAR(found->U, 2.0 * 0.1 * std::sqrt(2.0), 1e-12);
  EXPECT_FALSE(ripple_db(points, 2.5, 3.5).has_value());
}

TEST(Corner, OfOnePole) {
  std::vector<Point> points;
  for (double f = 100.0; f < 200e3; f *= 1.1) {
    points.push_back({f, -10.0 * std::log10(1.0 + std::pow(f / 15.9e3, 2)), 0.005});
  }
  const Outcome found = corner_hz(points);
  ASSERT_TRUE(found.has_value());
  EXPECT_NEAR(found->value, 15.9e3, 60.0);
  points.resize(20);
  const Outcome none = corner_hz(points);
  ASSERT_FALSE(none.has_value());
  EXPECT_EQ(none.error().reason, Reason::not_measured);
}

// NOI-7: cubic compression, P1dB = IIP3 - 9.6357 dB.
TEST(Compression, Noi7Cubic) {
  const double iip3_dbm = 0.0;
  std::vector<Point> sweep;
  for (double level = -40.0; level <= -8.0; level += 0.5) {
    const double x = std::pow(10.0, (level - iip3_dbm) / 10.0);  // (amplitude over IIP3)^2
    sweep.push_back({level, level + 12.0 + 20.0 * std::log10(1.0 - x), 0.002});
  }
  const Compression found = compression(sweep, 22.0);
  ASSERT_TRUE(found.input_dbm.has_value()) << found.input_dbm.error().detail;
  EXPECT_NEAR(found.input_dbm->value, -9.635745, 0.03);
  EXPECT_NEAR(found.small_signal_gain->value, 12.0, 0.01);
  sweep.resize(40);
  const Compression none = compression(sweep);
  ASSERT_FALSE(none.input_dbm.has_value());
  EXPECT_THAT(none.input_dbm.error().detail, testing::HasSubstr("above it"));
}

// RF and LO errors from both sides. r is seen in the spacing, the LO in the sum.
TEST(FrequencyErrors, BothSides) {
  const double lo_set = 10.0e6;
  const double lo_true = lo_set + 37.0;
  const double r = 2e-6;
  SignedIf above{10.005e6, 10.005e6 * (1.0 + r) - lo_true, 1e-4};
  SignedIf below{9.995e6, 9.995e6 * (1.0 + r) - lo_true, 1e-4};
  const FrequencyErrors found = frequency_errors(above, below, lo_set, 1e-6);
  ASSERT_TRUE(found.rf_error_hz.has_value());
  EXPECT_NEAR(found.rf_error_hz->value, 20.0, 1e-3);
  EXPECT_NEAR(found.lo_error_hz->value, 37.0, 1e-3);
  // A coarse IF cannot tell r: the source's own statement is used and charged.
  above.u_hz = 0.1;
  below.u_hz = 0.1;
  const FrequencyErrors coarse = frequency_errors(above, below, lo_set, 1e-6);
  EXPECT_NEAR(coarse.lo_error_hz->value, 37.0 - 20.0, 1e-3);
  EXPECT_NEAR(coarse.lo_error_hz->U, 2.0 * std::hypot(0.1 / std::sqrt(2.0), 10.0), 0.1);
  EXPECT_LT(std::abs(coarse.lo_error_hz->value - 37.0), 2.1 * coarse.lo_error_hz->U);
  EXPECT_FALSE(frequency_errors(above, above, lo_set, 1e-6).lo_error_hz.has_value());
}

TEST(Drift, PerHour) {
  std::vector<Point> points;
  for (int n = 0; n < 20; ++n) {
    points.push_back({n * 600.0, 5.0 + 0.01 * n * 600.0 / 3600.0 + (n % 2 ? 1e-4 : -1e-4), 1e-4});
  }
  const Outcome found = drift_per_hour(points, "gain_drift_db_per_hour", "dB/h");
  ASSERT_TRUE(found.has_value());
  EXPECT_NEAR(found->value, 0.01, found->U);
  EXPECT_LT(found->U, 5e-4);
  EXPECT_FALSE(drift_per_hour(std::span(points).first(2), "x", "y").has_value());
}

}  // namespace
}  // namespace nightbench::reading
