// Fast noise for tests with many trials: four 16-bit parts of one 64-bit draw, added. Zero mean,
// unit variance; the shape is nearly normal, and variances of least-squares results depend on the
// variance alone.
#pragma once

#include <cmath>
#include <cstdint>

namespace nightbench::signal::test {

class QuickNoise {
 public:
  // The seed is mixed twice: neighbouring seeds must not give the same sequence, one step apart.
  explicit QuickNoise(std::uint64_t seed) : state_(seed) {
    state_ = bits() ^ (seed << 32);
    state_ = bits();
  }

  // splitmix64 (Steele, Lea and Flood, OOPSLA 2014).
  std::uint64_t bits() {
    std::uint64_t z = (state_ += 0x9E3779B97F4A7C15u);
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9u;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBu;
    return z ^ (z >> 31);
  }
  double uniform() { return static_cast<double>(bits() >> 11) * 0x1p-53; }
  double operator()() {
    const std::uint64_t b = bits();
    const auto sum =
        static_cast<double>((b & 0xFFFF) + ((b >> 16) & 0xFFFF) + ((b >> 32) & 0xFFFF) + (b >> 48));
    return (sum - 2.0 * 65535.0) * scale;
  }
  // Truly normal (Box and Muller), slower: for tests that lean on the fourth moment.
  double normal() {
    const double radius = std::sqrt(-2.0 * std::log(1.0 - uniform()));
    return radius * std::cos(6.283185307179586 * uniform());
  }

 private:
  static constexpr double scale = 1.7320508075688772 / 65536.0;  // four uniforms: variance 1/3
  std::uint64_t state_;
};

}  // namespace nightbench::signal::test
