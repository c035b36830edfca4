#include "sequences/signal/two_channel_fit.hpp"

#include <gmock/gmock.h>

#include <random>

#include "sequences/signal/image.hpp"
#include "sequences/signal/sine_fit.hpp"
#include "sequences/signal/tone.hpp"
#include "tests/sequences/signal/data_sets.hpp"

namespace nightbench::signal {
namespace {

using test::pi;
using test::set_s_i;
using test::set_s_q;
using test::trace;

constexpr double degrees = 180.0 / pi;

TwoChannelOptions unweighted() {
  TwoChannelOptions options;
  options.weighting = Weighting::equal;
  return options;
}

// FIT-5: seven parameters, unweighted.
TEST(TwoChannelFit, Fit5) {
  const std::vector<double> i = set_s_i();
  const std::vector<double> q = set_s_q();
  const auto fit = two_channel_fit(trace(i), trace(q), 0.0430, unweighted());
  ASSERT_TRUE(fit.has_value()) << fit.error().detail;
  EXPECT_NEAR(fit->frequency_hz, 0.043699804674, 1e-11);
  EXPECT_NEAR(fit->first.amplitude_v, 99.989332480, 1e-8);
  EXPECT_NEAR(fit->second.amplitude_v, 96.986599007, 1e-8);
  EXPECT_NEAR(fit->first.offset_v, 3.307348761, 1e-8);
  EXPECT_NEAR(fit->second.offset_v, -1.613214258, 1e-8);
  EXPECT_NEAR(std::exp(fit->ln_ratio), 0.969969462, 1e-9);
  EXPECT_NEAR(fit->ln_ratio * 20.0 / std::log(10.0), -0.264838774, 1e-8);
  EXPECT_NEAR(fit->phase_difference_rad * degrees, -91.662699203, 1e-7);
  EXPECT_NEAR(fit->first.residual_rms_v, 0.307407146, 1e-8);
  EXPECT_NEAR(fit->second.residual_rms_v, 0.283384993, 1e-8);
  const Image image = image_of(fit->first.phasor_v, fit->second.phasor_v);
  EXPECT_NEAR(image_rejection_db(image.kappa), 33.536472354, 1e-6);
  EXPECT_EQ(image.turning, 1);  // Q lags: RF above for s = +1
}

// FIT-6: Q half a sample late, with its own times and (wrongly) without.
TEST(TwoChannelFit, Fit6OwnTimes) {
  const std::vector<double> i = set_s_i();
  const std::vector<double> q = set_s_q(0.5);
  const auto right = two_channel_fit(trace(i), trace(q, 1.0, 0.5), 0.0437, unweighted());
  const auto wrong = two_channel_fit(trace(i), trace(q), 0.0437, unweighted());
  ASSERT_TRUE(right.has_value());
  ASSERT_TRUE(wrong.has_value());
  EXPECT_NEAR(right->phase_difference_rad * degrees, -91.699500086, 1e-6);
  EXPECT_NEAR(wrong->phase_difference_rad * degrees, -83.833547254, 1e-6);
}

// FIT-7: two separate fits at n = 0 are not the seven-parameter fit.
TEST(TwoChannelFit, Fit7SeparateFitsDiffer) {
  const std::vector<double> i = set_s_i();
  const std::vector<double> q = set_s_q();
  const auto one = four_parameter_fit(trace(i), 0.0437);
  const auto two = four_parameter_fit(trace(q), 0.0437);
  ASSERT_TRUE(one.has_value());
  ASSERT_TRUE(two.has_value());
  EXPECT_NEAR((two->phase_rad - one->phase_rad) * degrees, -91.648103576, 1e-6);
}

// FIT-10: the truth of set S, without rounding.
TEST(TwoChannelFit, Fit10Truth) {
  const std::vector<double> i = set_s_i(false);
  const std::vector<double> q = set_s_q(0.0, false);
  const auto fit = two_channel_fit(trace(i), trace(q), 0.0435);
  ASSERT_TRUE(fit.has_value());
  EXPECT_NEAR(fit->frequency_hz, 0.0437, 1e-15);
  const Image image = image_of(fit->first.phasor_v, fit->second.phasor_v);
  EXPECT_NEAR(image.gain_ratio, 0.97, 1e-12);
  EXPECT_NEAR(image.phi_rad * degrees, 1.718873385, 1e-9);
  EXPECT_NEAR(image_rejection_db(image.kappa), 33.401420573, 1e-8);
}

// CRB-3: shared frequency, N 1000; the covariance of a fit with residual s = 0.01 in both channels.
TEST(TwoChannelFit, Crb3) {
  std::vector<double> i;
  std::vector<double> q;
  for (int n = 0; n < 1000; ++n) {
    const double ripple = n % 2 == 0 ? 1e-6 : -1e-6;
    i.push_back(std::cos(2.0 * pi * 0.0437 * n + 0.7) + ripple);
    q.push_back(0.97 * std::cos(2.0 * pi * 0.0437 * n + 0.7 - pi / 2.0 - 0.03) + ripple);
  }
  const auto fit = two_channel_fit(trace(i), trace(q), 0.0437);
  ASSERT_TRUE(fit.has_value());
  const double scale = 0.01 / fit->first.residual_std_v;
  EXPECT_NEAR(fit->u_phase_difference_rad * scale, 0.000642326, 1e-4 * 0.000642326);
  EXPECT_NEAR(fit->u_ln_ratio * scale, 0.000642326, 1e-4 * 0.000642326);
  EXPECT_NEAR(fit->u_frequency_hz * scale, 1.769457e-7, 1e-4 * 1.769457e-7);
  EXPECT_NEAR(std::sqrt(fit->covariance[frequency_place][frequency_place]) * scale, 1.769457e-7,
              1e-4 * 1.769457e-7);
  const auto one = four_parameter_fit(trace(i), 0.0437);
  const auto two = four_parameter_fit(trace(q), 0.0437);
  ASSERT_TRUE(one.has_value());
  ASSERT_TRUE(two.has_value());
  const double apart = std::hypot(one->u_phase_rad, two->u_phase_rad) * 0.01 / one->residual_std_v;
  EXPECT_NEAR(apart, 0.00128377, 1e-4 * 0.00128377);
  EXPECT_NEAR(apart / (fit->u_phase_difference_rad * scale), 1.99863, 2e-4);
}

// CRB-6: 8 bits, full scale on both channels, 10 000 points.
TEST(TwoChannelFit, Crb6EightBits) {
  std::vector<std::int8_t> codes;
  for (int n = 0; n < 10000; ++n) {
    const double x = 2.0 * pi * 0.0127182818 * n + 0.4;
    codes.push_back(static_cast<std::int8_t>(std::lrint(127.0 * std::cos(x))));
    codes.push_back(static_cast<std::int8_t>(std::lrint(127.0 * std::sin(x))));
  }
  const std::span<const std::int8_t> both(codes);
  const Trace i = trace_of(both, 1e-6, 0.0, 2, 0);
  const Trace q = trace_of(both, 1e-6, 0.0, 2, 1);
  ASSERT_EQ(i.size, 10000u);
  const auto fit = find_and_fit(i, q);
  ASSERT_TRUE(fit.has_value()) << fit.error().detail;
  const double noise = 0.0022642 * 127.0;  // the row's s / a
  const double scale = noise / fit->first.residual_std_v;
  EXPECT_NEAR(scale, 1.0, 0.1);  // quantisation noise is what the uniform model says
  EXPECT_NEAR(fit->u_phase_difference_rad * scale * degrees, 0.0025946, 0.05 * 0.0025946);
  EXPECT_NEAR(fit->phase_difference_rad * degrees, -90.0, 4 * 0.0026);
}

// Harmonics fitted together: a tone with harmonics over a broken number of periods.
TEST(TwoChannelFit, HarmonicsAreFittedTogether) {
  std::vector<double> i;
  std::vector<double> q;
  for (int n = 0; n < 600; ++n) {
    const double x = 2.0 * pi * 0.011 * n + 0.2;
    i.push_back(1.0 + 0.8 * std::cos(x) + 0.04 * std::cos(2.0 * x + 1.0) +
                0.02 * std::cos(3.0 * x - 0.5));
    q.push_back(-2.0 + 0.7 * std::sin(x - 0.05) + 0.03 * std::sin(2.0 * x) +
                0.01 * std::cos(4.0 * x));
  }
  TwoChannelOptions options;
  options.harmonics = 4;
  options.phase_at_s = 0.0;
  const auto fit = two_channel_fit(trace(i), trace(q), 0.0112, options);
  ASSERT_TRUE(fit.has_value()) << fit.error().detail;
  EXPECT_NEAR(fit->frequency_hz, 0.011, 1e-14);
  EXPECT_NEAR(fit->first.amplitude_v, 0.8, 1e-11);
  EXPECT_NEAR(fit->second.amplitude_v, 0.7, 1e-11);
  EXPECT_NEAR(fit->first.phase_rad, 0.2, 1e-11);
  EXPECT_NEAR(fit->phase_difference_rad, -pi / 2.0 - 0.05, 1e-11);
  ASSERT_EQ(fit->first.harmonics_v.size(), 3u);
  EXPECT_NEAR(std::abs(fit->first.harmonics_v[0]), 0.04, 1e-11);
  EXPECT_NEAR(std::arg(fit->first.harmonics_v[0]), 2.0 * 0.2 + 1.0, 1e-9);
  EXPECT_NEAR(std::abs(fit->first.harmonics_v[1]), 0.02, 1e-11);
  EXPECT_NEAR(std::abs(fit->second.harmonics_v[2]), 0.01, 1e-11);
  EXPECT_LT(fit->first.residual_rms_v, 1e-12);
  // Without them the same record is biased: that is what the columns are for.
  const auto plain = two_channel_fit(trace(i), trace(q), 0.0112);
  ASSERT_TRUE(plain.has_value());
  EXPECT_GT(std::abs(plain->first.amplitude_v - 0.8), 1e-4);
  // The residual of the whole model is what residual_volts writes.
  std::vector<double> rest(600);
  residual_volts(trace(i), *fit, fit->first, 0, rest);
  for (double r : rest) EXPECT_LT(std::abs(r), 1e-11);
}

// One silent channel: the other one carries the frequency.
TEST(TwoChannelFit, SilentChannel) {
  const std::vector<double> i = set_s_i();
  const std::vector<double> q(200, 4.0);
  const auto fit = two_channel_fit(trace(i), trace(q), 0.0437);
  ASSERT_TRUE(fit.has_value()) << fit.error().detail;
  EXPECT_NEAR(fit->frequency_hz, 0.04369999290, 1e-10);
  EXPECT_LT(fit->second.amplitude_v, 1e-12);
  EXPECT_NEAR(fit->second.offset_v, 4.0, 1e-12);
}

// Different sample intervals and starts for the two channels, in seconds.
TEST(TwoChannelFit, DifferentIntervals) {
  std::vector<double> i;
  std::vector<double> q;
  const double f = 10'123.4;
  for (int n = 0; n < 5000; ++n) i.push_back(0.3 * std::cos(2.0 * pi * f * (1e-6 * n)));
  for (int n = 0; n < 3000; ++n) {
    q.push_back(0.2 * std::cos(2.0 * pi * f * (0.37e-3 + 1.6e-6 * n) + 1.5));
  }
  const auto fit = two_channel_fit(trace(i, 1e-6), trace(q, 1.6e-6, 0.37e-3), f + 30.0);
  ASSERT_TRUE(fit.has_value()) << fit.error().detail;
  EXPECT_NEAR(fit->frequency_hz, f, 1e-9);
  EXPECT_NEAR(fit->phase_difference_rad, 1.5, 1e-10);
  EXPECT_NEAR(fit->first.phase_rad, 0.0, 1e-10);
}

TEST(TwoChannelFit, Refusals) {
  const std::vector<double> i = set_s_i();
  const std::vector<double> q = set_s_q();
  const auto far = two_channel_fit(trace(i), trace(q), 0.0437 + 0.9 / 200.0);
  ASSERT_FALSE(far.has_value());
  EXPECT_EQ(far.error().kind, TroubleKind::not_converged);
  const auto few = two_channel_fit(trace({1, 2, 3}), trace({1, 2, 3}), 0.1);
  ASSERT_FALSE(few.has_value());
  EXPECT_EQ(few.error().kind, TroubleKind::too_few_points);
  const auto dead = two_channel_fit(trace(std::vector<double>(200, 1.0)),
                                    trace(std::vector<double>(200, 2.0)), 0.0437);
  ASSERT_FALSE(dead.has_value());
  EXPECT_EQ(dead.error().kind, TroubleKind::no_tone);
}

}  // namespace
}  // namespace nightbench::signal
