// Errors of the two-channel fit against the Cramer-Rao bound (exact Fisher matrix of the seven
// parameters, so that it also holds for few periods; Haendel, IEEE TIM 2008, for the model).
//
// Where the bound cannot hold, and is not asked for here:
//   * below about one period, where offset and tone cannot be told apart;
//   * when N SNR falls under some 15 dB, where the wrong bin wins now and then and the error is
//   that
//     of an outlier (Rife and Boorstyn, IEEE Trans. Inf. Theory 20(5), 1974): the start value asks
//     for 23 dB and more and refuses below.
#include <gmock/gmock.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <iostream>

#include "sequences/signal/tone.hpp"
#include "tests/sequences/signal/data_sets.hpp"
#include "tests/sequences/signal/quick_noise.hpp"

namespace nightbench::signal {
namespace {

using test::pi;
using test::QuickNoise;
using test::trace;

struct Truth {
  std::size_t points = 0;
  double cycles = 0.0;
  double a_i = 1.0, a_q = 0.9;
  double p_i = 0.7, p_q = 0.7 - pi / 2.0 - 0.03;
  double noise = 0.0;  // of each channel
};

// Bounds of frequency, phase difference and ln ratio, from the inverse of the Fisher matrix of
// (a, p, C) of both channels and f, by Gauss-Jordan.
std::array<double, 3> bounds(const Truth& t) {
  constexpr std::size_t n = 7;
  std::array<std::array<double, 2 * n>, n> m{};
  const double middle = 0.5 * static_cast<double>(t.points - 1);
  for (std::size_t k = 0; k < t.points; ++k) {
    const double time = static_cast<double>(k) - middle;
    const double x = 2.0 * pi * t.cycles * time;
    const double reach = 2.0 * pi * time / (2.0 * pi * middle);  // frequency in units of 1/(2 pi h)
    const std::array<double, n> i = {std::cos(x + t.p_i),
                                     -t.a_i * std::sin(x + t.p_i),
                                     1,
                                     0,
                                     0,
                                     0,
                                     -t.a_i * std::sin(x + t.p_i) * reach};
    const std::array<double, n> q = {0,
                                     0,
                                     0,
                                     std::cos(x + t.p_q),
                                     -t.a_q * std::sin(x + t.p_q),
                                     1,
                                     -t.a_q * std::sin(x + t.p_q) * reach};
    for (std::size_t a = 0; a < n; ++a) {
      for (std::size_t b = 0; b < n; ++b) m[a][b] += i[a] * i[b] + q[a] * q[b];
    }
  }
  for (std::size_t a = 0; a < n; ++a) m[a][n + a] = 1.0;
  for (std::size_t a = 0; a < n; ++a) {
    const double pivot = m[a][a];
    for (double& v : m[a]) v /= pivot;
    for (std::size_t b = 0; b < n; ++b) {
      if (b == a) continue;
      const double factor = m[b][a];
      for (std::size_t c = 0; c < 2 * n; ++c) m[b][c] -= factor * m[a][c];
    }
  }
  const auto cov = [&](std::size_t a, std::size_t b) { return m[a][n + b] * t.noise * t.noise; };
  return {std::sqrt(cov(6, 6)) / (2.0 * pi * middle),
          std::sqrt(cov(1, 1) + cov(4, 4) - 2.0 * cov(1, 4)),
          std::sqrt(cov(0, 0) / t.a_i / t.a_i + cov(3, 3) / t.a_q / t.a_q -
                    2.0 * cov(0, 3) / t.a_i / t.a_q)};
}

// Clean samples about the middle of the record; noise is added per trial.
struct Clean {
  std::vector<double> i, q;
};
Clean clean(const Truth& t) {
  Clean c;
  const double middle = 0.5 * static_cast<double>(t.points - 1);
  for (std::size_t k = 0; k < t.points; ++k) {
    const double x = 2.0 * pi * t.cycles * (static_cast<double>(k) - middle);
    c.i.push_back(t.a_i * std::cos(x + t.p_i));
    c.q.push_back(t.a_q * std::cos(x + t.p_q));
  }
  return c;
}

struct Rms {
  std::array<double, 3> over_bound{};
  int refused = 0;
};

Rms run(const Truth& t, int trials, bool search, QuickNoise& random) {
  const Clean c = clean(t);
  std::vector<double> i(t.points);
  std::vector<double> q(t.points);
  std::array<double, 3> squares{};
  Rms result;
  for (int trial = 0; trial < trials; ++trial) {
    for (std::size_t k = 0; k < t.points; ++k) {
      i[k] = c.i[k] + t.noise * random();
      q[k] = c.q[k] + t.noise * random();
    }
    const double start = t.cycles + (random.uniform() - 0.5) * 0.6 / static_cast<double>(t.points);
    const auto fit =
        search ? find_and_fit(trace(i), trace(q)) : two_channel_fit(trace(i), trace(q), start);
    if (!fit) {
      ++result.refused;
      continue;
    }
    const double df = fit->frequency_hz - t.cycles;
    const double dp = std::remainder(fit->phase_difference_rad - (t.p_q - t.p_i), 2.0 * pi);
    const double dr = fit->ln_ratio - std::log(t.a_q / t.a_i);
    squares[0] += df * df;
    squares[1] += dp * dp;
    squares[2] += dr * dr;
  }
  const std::array<double, 3> bound = bounds(t);
  for (std::size_t k = 0; k < 3; ++k) {
    result.over_bound[k] = std::sqrt(squares[k] / (trials - result.refused)) / bound[k];
  }
  return result;
}

// RMS errors at most 1.05 times the bound, 10 to 60 dB, 2 to 1000 periods. 4000 trials know an rms
// to 1.1 %, the 2000 of long records to 1.6 %.
TEST(Bounds, RmsErrorsReachTheBound) {
  const std::uint64_t seed = 20240501;
  std::cout << "seed " << seed << "\n";
  QuickNoise random(seed);
  for (double periods : {2.0, 2.7, 5.3, 10.0, 31.4, 100.1, 314.2, 1000.3}) {
    for (double snr_db : {10.0, 20.0, 30.0, 40.0, 50.0, 60.0}) {
      Truth t;
      t.points = static_cast<std::size_t>(std::clamp(5.0 * periods, 256.0, 5001.0));
      t.cycles = periods / static_cast<double>(t.points);
      t.noise = std::pow(10.0, -snr_db / 20.0) / std::sqrt(2.0);
      const bool small = t.points < 1000;
      const Rms found = run(t, small ? 4000 : 2000, periods > 5.0, random);
      EXPECT_EQ(found.refused, 0) << periods << " periods, " << snr_db << " dB";
      for (std::size_t k = 0; k < 3; ++k) {
        EXPECT_LT(found.over_bound[k], 1.05)
            << periods << " periods, " << snr_db << " dB, quantity " << k << ", seed " << seed;
        EXPECT_GT(found.over_bound[k], 0.93) << "better than possible: the bound is wrong";
      }
    }
  }
}

// 100 000 records at 10 dB, found without a hint: not one outlier beyond 6 bounds.
TEST(Bounds, NoOutlierIn100000At10Db) {
  const std::uint64_t seed = 424242;
  std::cout << "seed " << seed << "\n";
  QuickNoise random(seed);
  Truth t;
  t.points = 128;
  t.noise = std::pow(10.0, -0.5) / std::sqrt(2.0);
  int trials = 0;
  double worst = 0.0;
  for (int block = 0; block < 100; ++block) {
    t.cycles = (4.0 + 50.0 * random.uniform()) / static_cast<double>(t.points);
    t.p_i = 2.0 * pi * random.uniform();
    t.p_q = t.p_i - pi / 2.0 - 0.03;
    const Clean c = clean(t);
    const double bound = bounds(t)[0];
    std::vector<double> i(t.points);
    std::vector<double> q(t.points);
    for (int trial = 0; trial < 1000; ++trial, ++trials) {
      for (std::size_t k = 0; k < t.points; ++k) {
        i[k] = c.i[k] + t.noise * random();
        q[k] = c.q[k] + t.noise * random();
      }
      const auto fit = find_and_fit(trace(i), trace(q));
      ASSERT_TRUE(fit.has_value())
          << "trial " << trials << ", seed " << seed << ": " << fit.error().detail;
      const double off = std::abs(fit->frequency_hz - t.cycles) / bound;
      worst = std::max(worst, off);
      ASSERT_LT(off, 6.0) << "trial " << trials << ", seed " << seed;
    }
  }
  EXPECT_EQ(trials, 100000);
  std::cout << "worst " << worst << " bounds\n";
}

}  // namespace
}  // namespace nightbench::signal
