#include "sequences/signal/sine_fit.hpp"

#include <gmock/gmock.h>

#include <cstdint>
#include <limits>
#include <numeric>

#include "tests/sequences/signal/data_sets.hpp"

namespace nightbench::signal {
namespace {

using test::pi;
using test::set_s_i;
using test::set_s_q;
using test::trace;

TEST(SetS, IsTheRecordTheRowsWereComputedFrom) {
  const std::vector<double> i = set_s_i();
  const std::vector<double> q = set_s_q();
  EXPECT_THAT(std::vector<double>(i.begin(), i.begin() + 12),
              testing::ElementsAre(80, 59, 35, 8, -19, -45, -67, -84, -94, -97, -92, -80));
  EXPECT_THAT(std::vector<double>(q.begin(), q.begin() + 12),
              testing::ElementsAre(59, 77, 89, 95, 94, 85, 70, 49, 25, -2, -28, -52));
  EXPECT_EQ(std::accumulate(i.begin(), i.end(), 0.0), 146.0);
  EXPECT_EQ(std::inner_product(i.begin(), i.end(), i.begin(), 0.0), 982520.0);
  EXPECT_EQ(std::accumulate(q.begin(), q.end(), 0.0), -178.0);
  EXPECT_EQ(std::inner_product(q.begin(), q.end(), q.begin(), 0.0), 955308.0);
}

// FIT-1: three parameters, model and rms of IEEE Std 1057.
TEST(ThreeParameterFit, Fit1) {
  const std::vector<double> i = set_s_i();
  const auto fit = three_parameter_fit(trace(i), test::set_s_cycles);
  ASSERT_TRUE(fit.has_value());
  EXPECT_NEAR(fit->cos_v, 76.516462796, 1e-8);
  EXPECT_NEAR(fit->sin_v, -64.366887206, 1e-8);
  EXPECT_NEAR(fit->offset_v, 3.307040181, 1e-8);
  EXPECT_NEAR(fit->amplitude_v, 99.989325667, 1e-8);
  EXPECT_NEAR(fit->phase_rad, 0.699372454, 1e-8);
  EXPECT_NEAR(fit->residual_rms_v, 0.307367602, 1e-8);
  EXPECT_NEAR(fit->residual_std_v, 0.309699121, 1e-8);
}

// FIT-2: four parameters, five starts, one answer.
TEST(FourParameterFit, Fit2FromFiveStarts) {
  const std::vector<double> i = set_s_i();
  for (double start : {0.0437, 0.0430, 0.0440, 0.0445, 0.0425}) {
    const auto fit = four_parameter_fit(trace(i), start);
    ASSERT_TRUE(fit.has_value()) << start;
    EXPECT_NEAR(fit->frequency_hz, 0.04369999290, 1e-11);
    EXPECT_NEAR(fit->amplitude_v, 99.989325925, 1e-8);
    EXPECT_NEAR(fit->phase_rad, 0.699376893, 1e-8);
    EXPECT_NEAR(fit->offset_v, 3.307051402, 1e-8);
    EXPECT_NEAR(fit->residual_rms_v, 0.307367545, 1e-8);
  }
}

// FIT-3: the steps themselves.
TEST(FourParameterFit, Fit3Iterates) {
  const std::vector<double> i = set_s_i();
  const auto fit = four_parameter_fit(trace(i), 0.0430);
  ASSERT_TRUE(fit.has_value());
  const std::vector<double> expected = {0.0430, 0.043715946727, 0.043700928625, 0.043699993143,
                                        0.043699992898};
  ASSERT_GE(fit->iterates_hz.size(), expected.size());
  for (std::size_t n = 0; n < expected.size(); ++n) {
    EXPECT_NEAR(fit->iterates_hz[n], expected[n], 1e-10) << n;
  }
}

// FIT-4.
TEST(FourParameterFit, Fit4) {
  const std::vector<double> q = set_s_q();
  const auto fit = four_parameter_fit(trace(q), 0.0437);
  ASSERT_TRUE(fit.has_value());
  EXPECT_NEAR(fit->frequency_hz, 0.043699585434, 1e-10);
}

// FIT-8: the basin is 0.7 bin; outside it the failure is reported.
TEST(FourParameterFit, Fit8Basin) {
  const std::vector<double> i = set_s_i();
  for (double bins = -0.7; bins < 0.701; bins += 0.05) {
    const auto fit = four_parameter_fit(trace(i), test::set_s_cycles + bins / 200.0);
    ASSERT_TRUE(fit.has_value()) << bins << " bins: " << fit.error().detail;
    EXPECT_NEAR(fit->frequency_hz, 0.04369999290, 1e-11) << bins;
  }
  for (double bins = 0.8; bins < 6.0; bins += 0.05) {
    for (double side : {-1.0, 1.0}) {
      const auto fit = four_parameter_fit(trace(i), test::set_s_cycles + side * bins / 200.0);
      ASSERT_FALSE(fit.has_value()) << side * bins << " bins gave " << fit->frequency_hz;
      EXPECT_FALSE(fit.error().detail.empty());
    }
  }
}

// FIT-9: convergence on data without rounding.
TEST(FourParameterFit, Fit9Convergence) {
  const std::vector<double> i = set_s_i(false);
  const auto fit = four_parameter_fit(trace(i), test::set_s_cycles + 0.2 / 200.0);
  ASSERT_TRUE(fit.has_value());
  const std::vector<double> expected = {1.0e-3, 4.64e-5, 4.95e-6, 1.05e-8};
  ASSERT_GE(fit->iterates_hz.size(), 5u);
  for (std::size_t n = 0; n < expected.size(); ++n) {
    const double error = std::abs(fit->iterates_hz[n] - test::set_s_cycles);
    EXPECT_LT(error, 1.1 * expected[n]) << n;
    EXPECT_GT(error, expected[n] / 1.1) << n;
  }
  EXPECT_LT(std::abs(fit->iterates_hz[4] - test::set_s_cycles), 1e-12);
}

// FIT-11: bias by a second harmonic, worst over phases.
TEST(ThreeParameterFit, Fit11HarmonicBias) {
  const std::vector<std::pair<double, double>> rows = {
      {2.25, 0.011347}, {5.25, 0.005314}, {10.25, 0.002818}, {20.25, 0.001452}};
  for (const auto& [periods, expected] : rows) {
    constexpr int points = 2000;
    const double cycles = periods / points;
    double worst_amplitude = 0.0;
    double worst_phase = 0.0;
    std::vector<double> y(points);
    for (int p = 0; p < 24; ++p) {
      for (int h = 0; h < 24; ++h) {
        const double phase = 2.0 * pi * p / 24.0;
        const double harmonic_phase = 2.0 * pi * h / 24.0;
        for (int n = 0; n < points; ++n) {
          const double x = 2.0 * pi * cycles * n;
          y[static_cast<std::size_t>(n)] =
              std::cos(x + phase) + 0.1 * std::cos(2.0 * x + harmonic_phase);
        }
        const auto fit = three_parameter_fit(trace(y), cycles);
        ASSERT_TRUE(fit.has_value());
        worst_amplitude = std::max(worst_amplitude, std::abs(fit->amplitude_v - 1.0));
        worst_phase =
            std::max(worst_phase, std::abs(std::remainder(fit->phase_rad - phase, 2.0 * pi)));
      }
    }
    // The grid of phases misses the worst case by at most its cosine.
    EXPECT_NEAR(worst_amplitude, expected, 1e-5 + 0.01 * expected) << periods;
    EXPECT_NEAR(worst_phase, expected, 1e-5 + 0.01 * expected) << periods;
  }
}

// FIT-21: NIST StRD ENSO data, three parameters at a period of 12.
TEST(ThreeParameterFit, Fit21Enso) {
  const Trace data = trace_of(std::span<const double>(test::enso), 1.0, 1.0);
  FitOptions options;
  options.phase_at_s = 0.0;
  const auto fit = three_parameter_fit(data, 1.0 / 12.0, options);
  ASSERT_TRUE(fit.has_value());
  EXPECT_NEAR(fit->cos_v, 3.05288721, 1e-8);
  EXPECT_NEAR(fit->sin_v, 0.48018313, 1e-8);
  EXPECT_NEAR(fit->offset_v, 10.64166667, 1e-8);
  EXPECT_NEAR(fit->amplitude_v, 3.090420060, 1e-8);
  EXPECT_NEAR(fit->residual_rms_v, 2.628563179, 1e-8);
}

// FIT-22: slow convergence on a large residual.
TEST(FourParameterFit, Fit22Enso) {
  const Trace data = trace_of(std::span<const double>(test::enso), 1.0, 1.0);
  const auto fit = four_parameter_fit(data, 1.0 / 12.0);
  ASSERT_TRUE(fit.has_value()) << fit.error().detail;
  EXPECT_NEAR(1.0 / fit->frequency_hz, 11.939012351, 1e-6);
  EXPECT_NEAR(fit->amplitude_v, 3.107238602, 1e-6);
  EXPECT_NEAR(fit->offset_v, 10.625903510, 1e-6);
  EXPECT_NEAR(fit->residual_rms_v * fit->residual_rms_v * 168.0, 1147.963732, 1e-6);
}

// CRB-1, CRB-2: standard uncertainties against the Fisher matrix. The fit knows the noise from its
// residual; here the residual is made exactly s by scaling.
void check_bound(int points, double u_a, double u_p, double u_c, double u_f) {
  std::vector<double> y;
  for (int n = 0; n < points; ++n) {
    const double noise = (n * 7919 % 4 < 2) ? 0.01 : -0.01;
    y.push_back(std::cos(2.0 * pi * 0.0437 * n + 0.7) + noise);
  }
  const auto fit = four_parameter_fit(trace(y), 0.0437);
  ASSERT_TRUE(fit.has_value());
  const double scale = 0.01 / fit->residual_std_v;
  EXPECT_NEAR(fit->u_amplitude_v * scale, u_a, 1e-3 * u_a);
  EXPECT_NEAR(fit->u_phase_rad * scale, u_p, 1e-3 * u_p);
  EXPECT_NEAR(fit->u_offset_v * scale, u_c, 1e-3 * u_c);
  EXPECT_NEAR(fit->u_frequency_hz * scale, u_f, 1e-3 * u_f);
}
TEST(FourParameterFit, Crb1) {
  check_bound(200, 0.00100886, 0.00195641, 0.000708901, 2.697291e-6);
}
TEST(FourParameterFit, Crb2) {
  check_bound(1000, 0.000447799, 0.000890455, 0.000316254, 2.456367e-7);
}

// The bounds of CRB-1 at their own tolerance, on data whose fit is the truth: a small residual of
// alternating signs, which no column explains.
TEST(FourParameterFit, Crb1AtItsTolerance) {
  std::vector<double> y;
  for (int n = 0; n < 200; ++n) y.push_back(std::cos(2.0 * pi * 0.0437 * n + 0.7));
  for (int n = 0; n < 200; ++n) y[static_cast<std::size_t>(n)] += (n % 2 == 0 ? 1e-6 : -1e-6);
  const auto fit = four_parameter_fit(trace(y), 0.0437);
  ASSERT_TRUE(fit.has_value());
  const double scale = 0.01 / fit->residual_std_v;
  EXPECT_NEAR(fit->u_amplitude_v * scale, 0.00100886, 1e-4 * 0.00100886);
  EXPECT_NEAR(fit->u_phase_rad * scale, 0.00195641, 1e-4 * 0.00195641);
  EXPECT_NEAR(fit->u_offset_v * scale, 0.000708901, 1e-4 * 0.000708901);
  EXPECT_NEAR(fit->u_frequency_hz * scale, 2.697291e-6, 1e-4 * 2.697291e-6);
  // The row's phase at the centre belongs to a tone whose phase is 0.7 there.
  FitOptions centred;
  centred.phase_at_s = 99.5;
  for (int n = 0; n < 200; ++n) {
    y[static_cast<std::size_t>(n)] =
        std::cos(2.0 * pi * 0.0437 * (n - 99.5) + 0.7) + (n % 2 == 0 ? 1e-6 : -1e-6);
  }
  const auto at_centre = four_parameter_fit(trace(y), 0.0437, centred);
  ASSERT_TRUE(at_centre.has_value());
  EXPECT_NEAR(at_centre->u_phase_rad * scale, 0.000998910, 1e-4 * 0.000998910);
}

// Refusals are stated, never numbers.
TEST(Refusals, PointsPeriodsBandAndBadSamples) {
  std::vector<double> y(200);
  for (std::size_t n = 0; n < y.size(); ++n) {
    y[n] = std::cos(2.0 * pi * 0.004 * static_cast<double>(n));
  }
  const auto kind_of = [](const auto& result) {
    EXPECT_FALSE(result.has_value());
    return result.has_value() ? TroubleKind::bad_arguments : result.error().kind;
  };
  EXPECT_EQ(kind_of(four_parameter_fit(trace(y), 0.004)), TroubleKind::too_few_periods);
  EXPECT_EQ(kind_of(three_parameter_fit(trace({1.0, 2.0, 3.0}), 0.1)), TroubleKind::too_few_points);
  EXPECT_EQ(kind_of(three_parameter_fit(trace(y), 0.5)), TroubleKind::out_of_band);
  EXPECT_EQ(kind_of(three_parameter_fit(trace(y), 0.0)), TroubleKind::out_of_band);
  EXPECT_EQ(kind_of(three_parameter_fit(trace(y, 0.0), 0.1)), TroubleKind::bad_arguments);
  y[77] = std::numeric_limits<double>::quiet_NaN();
  EXPECT_EQ(kind_of(three_parameter_fit(trace(y), 0.1)), TroubleKind::bad_samples);
  EXPECT_EQ(kind_of(four_parameter_fit(trace(y), 0.1)), TroubleKind::bad_samples);
  EXPECT_EQ(kind_of(four_parameter_fit(trace(std::vector<double>(200, 1.25)), 0.1)),
            TroubleKind::no_tone);
}

// Long record, many periods, far origin: the phase arithmetic must not lose digits.
TEST(FourParameterFit, KeepsItsDigitsOverAMillionPoints) {
  constexpr int points = 1'000'000;
  constexpr double cycles = 0.123456789;
  std::vector<double> y(points);
  for (int n = 0; n < points; ++n) {
    const double p = cycles * n;
    const double rest = std::fma(cycles, n, -p);
    y[static_cast<std::size_t>(n)] =
        0.5 + 0.25 * std::cos(2.0 * pi * ((p - std::rint(p)) + rest) + 0.3);
  }
  const auto fit = four_parameter_fit(trace(y), cycles + 2e-7);
  ASSERT_TRUE(fit.has_value()) << fit.error().detail;
  EXPECT_NEAR(fit->frequency_hz, cycles, 1e-17 + 1e-15 * cycles);
  EXPECT_NEAR(fit->amplitude_v, 0.25, 1e-12);
  EXPECT_NEAR(fit->phase_rad, 0.3, 1e-11);
  EXPECT_NEAR(fit->offset_v, 0.5, 1e-12);
  EXPECT_LT(fit->residual_rms_v, 1e-12);
}

}  // namespace
}  // namespace nightbench::signal
