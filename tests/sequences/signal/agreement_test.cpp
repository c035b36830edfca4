// Agreement with programs that are not ours: GSL's nonlinear least squares (Levenberg-Marquardt,
// analytic derivatives) on the seven-parameter model, and the certified values of NIST StRD ENSO.
#include <gmock/gmock.h>
#include <gsl/gsl_blas.h>
#include <gsl/gsl_multifit_nlinear.h>

#include <array>
#include <cmath>
#include <complex>
#include <iostream>
#include <tuple>

#include "sequences/signal/several_tones.hpp"
#include "sequences/signal/two_channel_fit.hpp"
#include "tests/sequences/signal/data_sets.hpp"
#include "tests/sequences/signal/quick_noise.hpp"

namespace nightbench::signal {
namespace {

using test::pi;
using test::trace;

struct Records {
  const std::vector<double>* i;
  const std::vector<double>* q;
};

// Parameters: A, B, C of I, then of Q, then the frequency in units of `scale` from `start`.
struct Model {
  Records records;
  double start = 0.0;
  double scale = 1.0;
};

int residuals(const gsl_vector* x, void* data, gsl_vector* f) {
  const auto& m = *static_cast<const Model*>(data);
  const std::size_t n = m.records.i->size();
  const double w = 2.0 * pi * (m.start + m.scale * gsl_vector_get(x, 6));
  const double middle = 0.5 * static_cast<double>(n - 1);
  for (std::size_t k = 0; k < n; ++k) {
    const double a = w * (static_cast<double>(k) - middle);
    for (std::size_t c = 0; c < 2; ++c) {
      const double y = c == 0 ? (*m.records.i)[k] : (*m.records.q)[k];
      const double model = gsl_vector_get(x, 3 * c) * std::cos(a) +
                           gsl_vector_get(x, 3 * c + 1) * std::sin(a) +
                           gsl_vector_get(x, 3 * c + 2);
      gsl_vector_set(f, c * n + k, model - y);
    }
  }
  return GSL_SUCCESS;
}

int slopes(const gsl_vector* x, void* data, gsl_matrix* j) {
  const auto& m = *static_cast<const Model*>(data);
  const std::size_t n = m.records.i->size();
  const double w = 2.0 * pi * (m.start + m.scale * gsl_vector_get(x, 6));
  const double middle = 0.5 * static_cast<double>(n - 1);
  gsl_matrix_set_zero(j);
  for (std::size_t k = 0; k < n; ++k) {
    const double t = static_cast<double>(k) - middle;
    for (std::size_t c = 0; c < 2; ++c) {
      const std::size_t row = c * n + k;
      const double cosine = std::cos(w * t);
      const double sine = std::sin(w * t);
      gsl_matrix_set(j, row, 3 * c, cosine);
      gsl_matrix_set(j, row, 3 * c + 1, sine);
      gsl_matrix_set(j, row, 3 * c + 2, 1.0);
      gsl_matrix_set(j, row, 6,
                     2.0 * pi * m.scale * t *
                         (gsl_vector_get(x, 3 * c + 1) * cosine - gsl_vector_get(x, 3 * c) * sine));
    }
  }
  return GSL_SUCCESS;
}

struct Reference {
  double frequency = 0.0;
  std::complex<double> i, q;
  double squares = 0.0;
};

Reference by_gsl(const Records& records, double start) {
  const std::size_t n = records.i->size();
  Model model{records, start, 1.0 / static_cast<double>(n)};
  gsl_multifit_nlinear_fdf fdf{};
  fdf.f = residuals;
  fdf.df = slopes;
  fdf.n = 2 * n;
  fdf.p = 7;
  fdf.params = &model;
  gsl_multifit_nlinear_parameters settings = gsl_multifit_nlinear_default_parameters();
  gsl_multifit_nlinear_workspace* work =
      gsl_multifit_nlinear_alloc(gsl_multifit_nlinear_trust, &settings, 2 * n, 7);
  gsl_vector* x = gsl_vector_calloc(7);
  gsl_vector_set(x, 0, 0.3);
  gsl_vector_set(x, 3, 0.1);
  gsl_vector_set(x, 4, 0.3);
  gsl_multifit_nlinear_init(x, &fdf, work);
  int info = 0;
  gsl_multifit_nlinear_driver(500, 1e-15, 1e-15, 0.0, nullptr, nullptr, &info, work);
  const gsl_vector* found = gsl_multifit_nlinear_position(work);
  Reference reference;
  reference.frequency = start + model.scale * gsl_vector_get(found, 6);
  reference.i = {gsl_vector_get(found, 0), -gsl_vector_get(found, 1)};
  reference.q = {gsl_vector_get(found, 3), -gsl_vector_get(found, 4)};
  const gsl_vector* rest = gsl_multifit_nlinear_residual(work);
  gsl_blas_ddot(rest, rest, &reference.squares);
  gsl_vector_free(x);
  gsl_multifit_nlinear_free(work);
  return reference;
}

TEST(Agreement, GslNonlinearLeastSquares) {
  const std::uint64_t seed = 31;
  std::cout << "seed " << seed << "\n";
  test::QuickNoise random(seed);
  for (const auto& [points, periods, noise] :
       {std::tuple(200, 8.74, 0.01), std::tuple(1000, 3.3, 0.1), std::tuple(4000, 211.7, 0.03)}) {
    std::vector<double> i;
    std::vector<double> q;
    const double cycles = periods / points;
    for (int n = 0; n < points; ++n) {
      const double x = 2.0 * pi * cycles * n + 0.7;
      i.push_back(0.2 + std::cos(x) + noise * random.normal());
      q.push_back(-0.1 + 0.93 * std::sin(x - 0.04) + noise * random.normal());
    }
    const double start = cycles + 0.1 / points;
    TwoChannelOptions options;
    options.weighting = Weighting::equal;
    options.phase_at_s = 0.5 * (points - 1);
    const auto ours = two_channel_fit(trace(i), trace(q), start, options);
    ASSERT_TRUE(ours.has_value()) << ours.error().detail;
    const Reference gsl = by_gsl({&i, &q}, start);
    EXPECT_NEAR(ours->frequency_hz, gsl.frequency, 1e-9 * gsl.frequency) << points;
    EXPECT_NEAR(std::abs(ours->first.phasor_v - gsl.i), 0.0, 1e-8) << points;
    EXPECT_NEAR(std::abs(ours->second.phasor_v - gsl.q), 0.0, 1e-8) << points;
    const double squares = points * (ours->first.residual_rms_v * ours->first.residual_rms_v +
                                     ours->second.residual_rms_v * ours->second.residual_rms_v);
    EXPECT_NEAR(squares, gsl.squares, 1e-9 * gsl.squares) << points;
  }
}

// FIT-20: NIST StRD ENSO, both starts. Certified values and standard deviations; tolerance 1e-6
// relative on the parameters (double precision stalls there, the residual is large), 1e-9 on the
// sum of squares.
TEST(Agreement, Fit20NistEnso) {
  const double b[] = {10.510749193,  3.0762128085, 0.53280138227, 44.311088700, -1.6231428586,
                      0.52554493756, 26.887614440, 0.21232288488, 1.4966870418};
  const double sd[] = {0.17488832467, 0.24310052139, 0.24354686618, 0.94408025976, 0.28078369611,
                       0.48073701119, 0.41612939130, 0.51460022911, 0.25434468893};
  const Trace data = trace_of(std::span<const double>(test::enso), 1.0, 1.0);
  for (const auto& [p4, p7] : {std::pair(40.0, 25.0), std::pair(44.0, 26.0)}) {
    const std::array<ToneStart, 3> starts = {
        {{1.0 / 12.0, true}, {1.0 / p4, false}, {1.0 / p7, false}}};
    const auto fit = fit_several_tones(data, starts);
    ASSERT_TRUE(fit.has_value()) << fit.error().detail;
    const auto& t = fit->tones;
    const double found[] = {fit->offset_v,           t[0].cos_v, t[0].sin_v,
                            1.0 / t[1].frequency_hz, t[1].cos_v, t[1].sin_v,
                            1.0 / t[2].frequency_hz, t[2].cos_v, t[2].sin_v};
    const auto u_period = [](const FittedTone& tone) {
      return tone.u_frequency_hz / tone.frequency_hz / tone.frequency_hz;
    };
    const double u[] = {fit->u_offset_v, t[0].u_cos_v,   t[0].u_sin_v, u_period(t[1]), t[1].u_cos_v,
                        t[1].u_sin_v,    u_period(t[2]), t[2].u_cos_v, t[2].u_sin_v};
    for (std::size_t n = 0; n < 9; ++n) {
      EXPECT_NEAR(found[n], b[n], 1e-6 * std::abs(b[n])) << "b" << n + 1;
      EXPECT_NEAR(u[n], sd[n], 1e-4 * sd[n]) << "b" << n + 1;
    }
    EXPECT_NEAR(fit->residual_squares_v2, 788.53978668, 1e-9 * 788.53978668);
    EXPECT_NEAR(fit->residual_std_v, 2.2269642403, 1e-9 * 2.2269642403);
  }
}

TEST(SeveralTones, AStrangerBesideTheTone) {
  std::vector<double> y;
  for (int n = 0; n < 500; ++n) {
    const double x = 2.0 * pi * n;
    y.push_back(1.0 + std::cos(0.0213 * x + 0.4) + 0.5 * std::cos(0.0251 * x));
  }
  const std::array<ToneStart, 2> starts = {{{0.0212, false}, {0.0253, false}}};
  const auto fit = fit_several_tones(trace(y), starts);
  ASSERT_TRUE(fit.has_value()) << fit.error().detail;
  EXPECT_NEAR(fit->tones[0].frequency_hz, 0.0213, 1e-12);
  EXPECT_NEAR(std::hypot(fit->tones[0].cos_v, fit->tones[0].sin_v), 1.0, 1e-9);
  EXPECT_NEAR(std::hypot(fit->tones[1].cos_v, fit->tones[1].sin_v), 0.5, 1e-9);
  EXPECT_NEAR(fit->offset_v, 1.0, 1e-9);
}

TEST(SeveralTones, Refusals) {
  const std::vector<double> y(500, 1.0);
  const std::array<ToneStart, 2> same = {{{0.02, true}, {0.02, true}}};
  const auto twice = fit_several_tones(trace(y), same);
  ASSERT_FALSE(twice.has_value());
  EXPECT_EQ(twice.error().kind, TroubleKind::too_few_periods);
  EXPECT_FALSE(fit_several_tones(trace(y), {}).has_value());
  EXPECT_FALSE(fit_several_tones(part(trace(y), 0, 7), same).has_value());
}

}  // namespace
}  // namespace nightbench::signal
