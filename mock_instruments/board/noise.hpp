// Seeded noise samples, added to a waveform after the board has made it.
//
// Fixed generator without library functions of the machine: a seed gives the same samples
// everywhere. Sums of uniforms, so Gaussian to about 4.5 standard deviations and bounded there.
#pragma once

#include <cstdint>
#include <span>

namespace nightbench::mock::board {

// SplitMix64 (Steele, Lea, Flood, "Fast Splittable Pseudorandom Number Generators", OOPSLA 2014).
class Random {
 public:
  explicit Random(std::uint64_t seed) : state_(seed) {}
  std::uint64_t next();
  double uniform();  // [0, 1)
  double normal();   // mean 0, standard deviation 1: eight uniforms

 private:
  std::uint64_t state_;
};

// Adds noise of the given density (V per root Hz, one-sided) behind a one-pole low-pass of
// corner_hz (0: white up to half the rate) to samples dt_s apart.
void add_noise(std::span<double> samples, double dt_s, double v_per_rthz, double corner_hz,
               std::uint64_t seed);

}  // namespace nightbench::mock::board
