#include "mock_instruments/board/noise.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <vector>

#include "mock_instruments/board/board.hpp"

namespace nightbench::mock::board::test {
namespace {

// SplitMix64 from state 0: first outputs as published with the reference code.
TEST(Random, IsSplitMix64) {
  Random random(0);
  EXPECT_EQ(random.next(), 0xe220a8397b1dcdafU);
  EXPECT_EQ(random.next(), 0x6e789e6aa1b965f4U);
  EXPECT_EQ(random.next(), 0x06c45d188009454fU);
}

double variance(const std::vector<double>& x) {
  double sum = 0;
  for (const double v : x) sum += v * v;
  return sum / static_cast<double>(x.size());
}

TEST(Noise, WhiteNoiseHasItsDensity) {
  std::vector<double> x(100000, 0.0);
  add_noise(x, 1e-6, 1e-7, 0.0, 12);
  // One-sided density over half the rate: 1e-14 x 500 kHz.
  EXPECT_NEAR(variance(x) / 5e-9, 1.0, 0.02);  // four standard deviations of sqrt(2 / n)
}

TEST(Noise, FilteredNoiseHasItsPowerAndCorrelation) {
  std::vector<double> x(400000, 0.0);
  add_noise(x, 1e-6, 1e-7, 15.9e3, 5);
  EXPECT_NEAR(variance(x) / (1e-14 * 15.9e3 * 1.5707963), 1.0, 0.04);
  double lag = 0;
  for (std::size_t k = 1; k < x.size(); ++k) lag += x[k] * x[k - 1];
  EXPECT_NEAR(lag / static_cast<double>(x.size()) / variance(x), std::exp(-6.2831853 * 0.0159),
              0.01);
}

TEST(Noise, SeedDecidesAndNoneAddsNothing) {
  std::vector<double> a(100, 1.0), b(100, 1.0), c(100, 1.0), d(100, 1.0);
  add_noise(a, 1e-6, 1e-7, 1e4, 1);
  add_noise(b, 1e-6, 1e-7, 1e4, 1);
  add_noise(c, 1e-6, 1e-7, 1e4, 2);
  add_noise(d, 1e-6, 0.0, 1e4, 2);
  EXPECT_EQ(a, b);
  EXPECT_NE(a, c);
  EXPECT_EQ(d, std::vector<double>(100, 1.0));
}

TEST(Noise, OutputDensityIsSensibleForFortyDecibels) {
  Board board = Board::make(healthy_30m()).value();
  const Board::Noise noise = board.noise({}, TestPoint::i_out);
  // Gain 82; at the input 1 kohm twice (4 nV each), the sampler twice, the op-amp's 4 nV:
  // 7.6 nV by hand.
  EXPECT_NEAR(noise.v_per_rthz, 82.6 * 7.6e-9, 0.05 * 82.6 * 7.6e-9);
  EXPECT_NEAR(noise.corner_hz, 15915.5, 1.0);
  EXPECT_LT(board.noise({}, TestPoint::sw_6).v_per_rthz, 1e-8);
}

}  // namespace
}  // namespace nightbench::mock::board::test
