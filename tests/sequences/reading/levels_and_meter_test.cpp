#include <gmock/gmock.h>

#include <array>
#include <cmath>
#include <limits>

#include "sequences/reading/iq.hpp"
#include "sequences/reading/level.hpp"
#include "sequences/reading/meter.hpp"
#include "sequences/reading/noise.hpp"

namespace nightbench::reading {
namespace {

// LEV-1..11, relative 1e-6, and back.
TEST(Level, Lev1To11) {
  const double rows[][4] = {{-107, 1.99526231e-14, 9.98814876e-7, 2.82507509e-6},
                            {-73, 5.01187234e-11, 5.00593265e-5, 1.41589157e-4},
                            {-60, 1e-9, 2.23606798e-4, 6.32455532e-4},
                            {-40, 1e-7, 2.23606798e-3, 6.32455532e-3},
                            {-30, 1e-6, 7.07106781e-3, 0.02},
                            {-20, 1e-5, 0.0223606798, 0.0632455532},
                            {-10, 1e-4, 0.0707106781, 0.2},
                            {0, 1e-3, 0.2236067977, 0.6324555320},
                            {4, 2.51188643e-3, 0.3543928915, 1.0023744673},
                            {10, 0.01, 0.7071067812, 2.0},
                            {13, 0.0199526231, 0.9988148765, 2.8250750892}};
  for (const auto& row : rows) {
    EXPECT_NEAR(watts_from_dbm(row[0]), row[1], 1e-6 * row[1]) << row[0];
    EXPECT_NEAR(volts_rms_from_dbm(row[0]), row[2], 1e-6 * row[2]) << row[0];
    EXPECT_NEAR(volts_pp_from_dbm(row[0]), row[3], 1e-6 * row[3]) << row[0];
    EXPECT_NEAR(dbm_from_watts(row[1]), row[0], 1e-6);
    EXPECT_NEAR(dbm_from_volts_rms(row[2]), row[0], 1e-6);
    EXPECT_NEAR(dbm_from_volts_pp(row[3]), row[0], 1e-6);
  }
  EXPECT_NEAR(dbm_from_volts_pp(1.0), 3.979400, 1e-6);
  EXPECT_NEAR(dbm_from_volts_pp(0.5), -2.041200, 1e-6);
  EXPECT_NEAR(dbm_from_volts_pp(0.1), -16.020600, 1e-6);
  EXPECT_NEAR(dbm_from_volts_rms(1.0), 13.010300, 1e-6);
  EXPECT_NEAR(dbm_from_volts_rms(1e-3), -46.989700, 1e-6);
  EXPECT_NEAR(dbm_from_volts_rms(1e-6), -106.989700, 1e-6);
  // QSD-13: -40 dBm into 50 ohm is an EMF of 6.324555 mV peak.
  EXPECT_NEAR(emf_peak_v(-40.0, 50.0), 6.324555e-3, 1e-9);
}

// LEV-12: mismatch limits and the U-shaped standard uncertainty.
TEST(Level, Lev12Mismatch) {
  const double rows[][5] = {{1.2, 1.5, 0.156507, -0.159379, 0.110667},
                            {1.5, 1.5, 0.340667, -0.354575, 0.240888},
                            {1.5, 2.0, 0.560574, -0.599264, 0.396386}};
  for (const auto& row : rows) {
    const Mismatch found = mismatch(row[0], row[1]);
    EXPECT_NEAR(found.upper_db, row[2], 1e-5);
    EXPECT_NEAR(found.lower_db, row[3], 1e-5);
    EXPECT_NEAR(found.u_db, row[4], 1e-5);
    EXPECT_NEAR(found.u_db, standard_u(found.upper_db, Distribution::u_shaped), 1e-12);
  }
}

// LEV-13, LEV-14: attenuator resistors.
TEST(Level, Lev13And14Pads) {
  const double pi_rows[][3] = {
      {3, 292.402, 17.6148}, {6, 150.476, 37.3519}, {10, 96.2475, 71.1512}, {20, 61.1111, 247.5}};
  for (const auto& row : pi_rows) {
    EXPECT_NEAR(pi_pad(row[0]).shunt_ohm, row[1], 1e-3);
    EXPECT_NEAR(pi_pad(row[0]).series_ohm, row[2], 1e-3);
  }
  const double t_rows[][3] = {
      {3, 8.54987, 141.926}, {6, 16.6139, 66.9310}, {10, 25.9747, 35.1364}, {20, 40.9091, 10.1010}};
  for (const auto& row : t_rows) {
    EXPECT_NEAR(t_pad(row[0]).series_ohm, row[1], 1e-3);
    EXPECT_NEAR(t_pad(row[0]).shunt_ohm, row[2], 1e-3);
  }
}

// LEV-15: a relative gain error in dB.
TEST(Level, Lev15GainError) {
  const double rows[][2] = {{1, 0.086427}, {2, 0.172003}, {3, 0.256744}, {5, 0.423786}};
  for (const auto& row : rows) EXPECT_NEAR(gain_error_db(row[0] / 100.0), row[1], 1e-6);
}

// DC-1..4: what a 10 Mohm meter reads of a divider, and back.
TEST(Meter, Dc1To4Loading) {
  struct Row {
    double r_top, r_bottom, open_v, reads_v;
  };
  const Row rows[] = {{10e3, 10e3, 2.5, 2.4987506247},
                      {100e3, 100e3, 2.5, 2.4875621891},
                      {1e6, 1e6, 2.5, 2.3809523810},
                      {47e3, 22e3, 5.0 * 22.0 / 69.0, 1.5918174793}};
  for (const Row& row : rows) {
    Loading loading;
    loading.source_ohm = parallel_ohm(row.r_top, row.r_bottom);
    EXPECT_NEAR(loaded(row.open_v, loading), row.reads_v, 1e-9);
    EXPECT_NEAR(unloaded(row.reads_v, loading), row.open_v, 1e-9);
  }
  EXPECT_NEAR(5.0 * 22.0 / 69.0, 1.5942028986, 1e-9);
}

// DC-5, DC-6: accuracy statements.
TEST(Meter, Dc5And6Accuracy) {
  MeterAccuracy digits;
  digits.percent_of_reading = 0.5;
  digits.digits = 2.0;
  digits.last_place = 0.01;
  EXPECT_NEAR(accuracy_limit(digits, 5.0), 0.045, 1e-12);
  const Outcome five = meter_reading("supply_v", 5.0, "V", digits);
  ASSERT_TRUE(five.has_value());
  EXPECT_NEAR(five->U / five->k, 0.0259807621, 1e-8);
  EXPECT_NEAR(five->U, 0.0519615242, 1e-8);
  MeterAccuracy of_range;
  of_range.percent_of_reading = 0.5;
  of_range.percent_of_range = 0.05;
  of_range.range = 6.0;
  EXPECT_NEAR(accuracy_limit(of_range, 2.5), 0.0155, 1e-12);
  const Outcome half = meter_reading("bias_v", 2.5, "V", of_range);
  ASSERT_TRUE(half.has_value());
  EXPECT_NEAR(half->U / half->k, 0.0089489292, 1e-9);
}

TEST(Meter, LoadingIsCorrectedAndBudgeted) {
  MeterAccuracy accuracy;
  accuracy.percent_of_reading = 0.1;
  Loading loading;
  loading.source_ohm = 500e3;
  const Outcome outcome = meter_reading("bias_v", 2.3809523810, "V", accuracy, loading);
  ASSERT_TRUE(outcome.has_value());
  EXPECT_NEAR(outcome->value, 2.5, 1e-9);
  ASSERT_EQ(outcome->budget.size(), 3u);
  EXPECT_GT(outcome->U, meter_reading("bias_v", 2.3809523810, "V", accuracy)->U);
}

TEST(Meter, OverloadIsNoReading) {
  for (double bad : {9.9e37, -9.9e37, std::numeric_limits<double>::infinity(),
                     std::numeric_limits<double>::quiet_NaN()}) {
    const Outcome outcome = meter_reading("ohms", bad, "ohm", {});
    ASSERT_FALSE(outcome.has_value());
    EXPECT_EQ(outcome.error().reason, Reason::not_measured);
  }
}

// NOI-1, NOI-2, NOI-4, NOI-5, NOI-9, NOI-10.
TEST(Noise, Noi1To10) {
  const double bits[][2] = {
      {8, 49.925712}, {10, 61.966912}, {12, 74.008112}, {14, 86.049311}, {16, 98.090511}};
  for (const auto& row : bits) EXPECT_NEAR(ideal_snr_db(row[0]), row[1], 1e-5);
  EXPECT_NEAR(standard_u(0.5, Distribution::rectangular), 0.2886751346, 1e-9);
  EXPECT_NEAR(jitter_snr_db(10e6, 1e-12), 84.036403, 1e-5);
  EXPECT_NEAR(jitter_snr_db(10e3, 1e-9), 84.036403, 1e-5);
  EXPECT_NEAR(jitter_snr_db(10e6, 100e-12), 44.036403, 1e-5);
  EXPECT_NEAR(noise_floor_dbm(0.0, 1.0), -173.975187, 1e-6);
  EXPECT_NEAR(thermal_v_rthz(50.0) * 1e9, 0.8948611772, 1e-6);
  EXPECT_NEAR(0.5 * thermal_v_rthz(50.0) * 1e9, 0.4474305589, 1e-6);
  EXPECT_NEAR(noise_floor_dbm(10.0, 2400.0), -130.173075, 1e-5);
  const std::array<double, 2> levels = {30.0, 40.0};
  EXPECT_NEAR(mean_power_db(levels), 37.403627, 1e-6);
}

// NOI-8: densities that an ideal four-phase sampler makes of its source: F = pi^2 / 8.
TEST(Noise, Noi8NoiseFigure) {
  const double gain = 100.0;
  const double factor = 1.233700550;
  const double density = std::sqrt(factor * 2.0) * gain * thermal_v_rthz(50.0);
  const NoiseFigure found = noise_figure(density, density, gain, 50.0);
  ASSERT_TRUE(found.valid);
  EXPECT_NEAR(found.factor, factor, 1e-9);
  EXPECT_NEAR(found.db, 0.912098, 1e-6);
  const NoiseFigure with_switch =
      noise_figure(density * std::sqrt(58.0 / 50.0), density * std::sqrt(58.0 / 50.0), gain, 50.0);
  EXPECT_NEAR(with_switch.factor, 1.431092638, 1e-6);
  EXPECT_NEAR(with_switch.db, 1.556677, 1e-6);
  EXPECT_FALSE(noise_figure(density, density, gain, 50.0, density).valid);
  const double scope = 0.3 * density;
  const double sum = std::hypot(density, scope);
  EXPECT_NEAR(noise_figure(sum, sum, gain, 50.0, scope).db, 0.912098, 1e-6);
}

}  // namespace
}  // namespace nightbench::reading
