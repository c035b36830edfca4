#include "sequences/report/derived.hpp"

#include <gtest/gtest.h>

#include <cmath>

namespace nightbench::report {
namespace {

using record::Point;
using record::Reading;

Reading reading(const std::string& quantity, double value, double expanded_u) {
  Reading out;
  out.quantity = quantity;
  out.value = value;
  out.expanded_u = expanded_u;
  return out;
}

Point point(double rf_hz, double offset_hz, double level_dbm, std::vector<Reading> readings,
            double after_s = 0) {
  Point out;
  out.at = {{"rf_hz", rf_hz}, {"offset_hz", offset_hz}, {"level_dbm", level_dbm}};
  out.readings = std::move(readings);
  out.started = WallTime() + from_seconds(after_s);
  return out;
}

const Derived* find(const std::vector<Derived>& all, const std::string& quantity) {
  for (const Derived& each : all) {
    if (each.reading.quantity == quantity) return &each;
  }
  return nullptr;
}

// An LO 3 Hz high: the IF above it is 3 Hz low, the one below 3 Hz larger; by algebra.
TEST(Derived, TheLoErrorIsToldApartFromTheSources) {
  record::Run run;
  for (const double offset_hz : {5e3, -5e3}) {
    run.points.push_back(point(10e6 + offset_hz, offset_hz, -40,
                               {reading("if_frequency", offset_hz - 3, 0.02),
                                reading("if_error", 0, 2e-6 * 10e6)}));
  }
  const Derived* error = nullptr;
  const auto all = derive(run);
  error = find(all, "lo_error");
  ASSERT_NE(error, nullptr);
  EXPECT_NEAR(*error->reading.value, 3, 1e-6);
  // The source is good for 1e-6 (k = 1) of 10 MHz; the IFs add next to nothing.
  EXPECT_NEAR(error->reading.expanded_u, 20, 0.01);
  EXPECT_NE(error->over.find("10 MHz"), std::string::npos);
  run.points.pop_back();
  EXPECT_EQ(find(derive(run), "lo_error"), nullptr);
}

// One LO, one IF, one level: 20 lg(1/3) and a bit of filter. Other places do not count, nor do the
// points beside 3 x LO for what the band says.
TEST(Derived, TheResponseBesideAMultipleOfTheLoIsOverThatBesideTheLo) {
  record::Run run;
  for (const double lo_hz : {10.1e6, 10.12e6, 10.14e6}) {
    run.points.push_back(point(lo_hz + 5e3, 5e3, -40, {reading("conversion_gain", 10, 0.6)}));
    Point third = point(3 * lo_hz + 5e3, 5e3, -40,
                        {reading("conversion_gain", lo_hz == 10.12e6 ? 0.2 : -1, 0.8)});
    third.at["harmonic"] = 3;
    run.points.push_back(third);
  }
  const auto all = derive(run);
  const Derived* ratio = find(all, "response_at_3_lo");
  ASSERT_NE(ratio, nullptr);
  EXPECT_NEAR(*ratio->reading.value, -9.8, 1e-9);
  EXPECT_NEAR(ratio->reading.expanded_u, 1.0, 1e-9);
  EXPECT_EQ(ratio->over, "RF 30.365 MHz, IF 5 kHz above 3 x LO");
  ASSERT_NE(find(all, "ripple"), nullptr);
  EXPECT_NEAR(*find(all, "ripple")->reading.value, 0, 1e-9) << "points beside 3 x LO are none of the band";
  run.points.erase(run.points.begin());  // the reference of the first LO
  run.points.push_back(point(10.12e6 + 5e3, 5e3, -20, {reading("conversion_gain", 4, 0.6)}));
  for (Point& each : run.points) {
    if (record::harmonic_of(each) == 3) each.at["level_dbm"] = 0;
  }
  EXPECT_NEAR(*find(derive(run), "response_at_3_lo")->reading.value, -9.8, 1e-9)
      << "another level beside the multiple, and beside the LO the lowest";
  std::erase_if(run.points, [](const Point& each) { return record::harmonic_of(each) == 1; });
  EXPECT_EQ(find(derive(run), "response_at_3_lo"), nullptr) << "nothing to compare with";
}

TEST(Derived, NothingFromNothing) {
  EXPECT_TRUE(derive(record::Run()).empty());
}

// A single-pole band shape of 2 MHz width: -3 dB at 9.125 and 11.125 MHz, closed form.
TEST(Derived, EdgesAndRippleOfABand) {
  record::Run run;
  for (int n = 0; n <= 200; ++n) {
    const double rf_hz = 8.125e6 + n * 20e3;
    const double x = (rf_hz - 10.125e6) / 1e6;
    run.points.push_back(point(
        rf_hz, 5e3, -40, {reading("conversion_gain", 43 - 10 * std::log10(1 + x * x), 0.05)}));
  }
  const auto all = derive(run);
  const Derived* low = find(all, "edge_low");
  const Derived* high = find(all, "edge_high");
  const Derived* ripple = find(all, "ripple");
  ASSERT_NE(low, nullptr);
  ASSERT_NE(high, nullptr);
  ASSERT_NE(ripple, nullptr);
  EXPECT_NEAR(*low->reading.value, 9.125e6, 1e3);
  EXPECT_NEAR(*high->reading.value, 11.125e6, 1e3);
  EXPECT_NEAR(*ripple->reading.value, 10 * std::log10(5.0), 1e-6);
}

// Both sides of the LO (signal theory: the LO's part has one sign, a delay's part changes it): Q
// leads by 90 + 1.5 deg above and lags by 90 + 1.5 deg below, with 200 ns more delay in Q at 10
// kHz.
TEST(Derived, LoPhaseAndDelayAreToldApart) {
  record::Run run;
  const double delay_deg = 360 * 10e3 * 200e-9;
  run.points.push_back(point(10.1e6, 10e3, -40, {reading("q_minus_i", 91.5 - delay_deg, 0.02)}));
  run.points.push_back(point(10.1e6, -10e3, -40, {reading("q_minus_i", -91.5 - delay_deg, 0.02)}));
  const auto all = derive(run);
  ASSERT_NE(find(all, "side_phase"), nullptr);
  EXPECT_NEAR(*find(all, "side_phase")->reading.value, 1.5, 1e-9);
  EXPECT_NEAR(*find(all, "side_delay")->reading.value, 200e-9, 1e-12);
}

TEST(Derived, DriftNeedsHalfAnHour) {
  record::Run run;
  const auto fill = [&run](double span_s) {
    run.points.clear();
    for (int n = 0; n < 10; ++n) {
      const double t = span_s * n / 9;
      run.points.push_back(
          point(10.1e6, 5e3, -40, {reading("gain_balance", 0.1 + 0.02 * t / 3600, 0.001)}, t));
    }
  };
  fill(1000);
  EXPECT_EQ(find(derive(run), "gain_balance_drift"), nullptr);
  fill(36000);
  const auto all = derive(run);
  ASSERT_NE(find(all, "gain_balance_drift"), nullptr);
  EXPECT_NEAR(*find(all, "gain_balance_drift")->reading.value, 0.02, 1e-9);
  EXPECT_EQ(find(all, "gain_balance_drift")->reading.unit, "dB/h");
}

TEST(Derived, CompressionFromALevelSweep) {
  record::Run run;
  for (int level = -60; level <= -20; level += 2) {
    // Soft limiting, 1 dB down where a^2 = 10^0.1 - 1 of the limit's square.
    const double a = std::pow(10, (level + 30) / 20.0);
    const double out = a / std::sqrt(1 + a * a);
    run.points.push_back(point(10.1e6, 5e3, level, {reading("i_amplitude", out, 1e-4 * out)}));
  }
  const auto all = derive(run);
  ASSERT_NE(find(all, "compression_1db"), nullptr);
  const double expected = -30 + 10 * std::log10(std::pow(10, 0.1) - 1);
  EXPECT_NEAR(*find(all, "compression_1db")->reading.value, expected, 0.2);
}

}  // namespace
}  // namespace nightbench::report
