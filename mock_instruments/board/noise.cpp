#include "mock_instruments/board/noise.hpp"

#include <cmath>
#include <numbers>

namespace nightbench::mock::board {

std::uint64_t Random::next() {
  state_ += 0x9e3779b97f4a7c15U;
  std::uint64_t z = state_;
  z = (z ^ (z >> 30U)) * 0xbf58476d1ce4e5b9U;
  z = (z ^ (z >> 27U)) * 0x94d049bb133111ebU;
  return z ^ (z >> 31U);
}

double Random::uniform() {
  return static_cast<double>(next() >> 11U) * 0x1.0p-53;
}

double Random::normal() {
  // Eight 16-bit uniforms: mean 8 x 32767.5, variance 8 (2^32 - 1) / 12.
  constexpr double mean = 8 * 32767.5;
  constexpr double deviation = 53509.31017955627;  // sqrt(8 (2^32 - 1) / 12)
  std::uint64_t sum = 0;
  for (int draw = 0; draw < 2; ++draw) {
    const std::uint64_t bits = next();
    sum += (bits & 0xffffU) + (bits >> 16U & 0xffffU) + (bits >> 32U & 0xffffU) + (bits >> 48U);
  }
  return (static_cast<double>(sum) - mean) / deviation;
}

void add_noise(std::span<double> samples, double dt_s, double v_per_rthz, double corner_hz,
               std::uint64_t seed) {
  if (v_per_rthz <= 0.0) return;
  Random random(seed);
  if (corner_hz <= 0.0) {
    const double deviation = v_per_rthz / std::sqrt(2 * dt_s);
    for (double& sample : samples) sample += deviation * random.normal();
    return;
  }
  // White noise behind one pole has variance density^2 corner pi / 2, and correlation
  // exp(-2 pi corner dt) from sample to sample.
  const double deviation = v_per_rthz * std::sqrt(corner_hz * std::numbers::pi / 2);
  const double keep = std::exp(-2 * std::numbers::pi * corner_hz * dt_s);
  const double fresh = std::sqrt(1.0 - keep * keep);
  double state = random.normal();
  for (double& sample : samples) {
    sample += deviation * state;
    state = keep * state + fresh * random.normal();
  }
}

}  // namespace nightbench::mock::board
