#include "daemon/analyse/spectrum.hpp"

#include <algorithm>
#include <bit>
#include <cmath>
#include <complex>
#include <numbers>
#include <numeric>

#include "sequences/signal/spectrum.hpp"

namespace nightbench::analyse {
namespace {

// In place, radix 2 (Cooley and Tukey, Math. Comp. 19, 1965); the size is a power of two.
void transform(std::vector<std::complex<double>>& values) {
  const std::size_t size = values.size();
  for (std::size_t n = 1, reversed = 0; n < size; ++n) {
    std::size_t bit = size >> 1;
    for (; (reversed & bit) != 0; bit >>= 1) reversed ^= bit;
    reversed ^= bit;
    if (n < reversed) std::swap(values[n], values[reversed]);
  }
  for (std::size_t length = 2; length <= size; length *= 2) {
    std::vector<std::complex<double>> turns(length / 2);
    for (std::size_t k = 0; k < turns.size(); ++k) {
      turns[k] = std::polar(
          1.0, -2 * std::numbers::pi * static_cast<double>(k) / static_cast<double>(length));
    }
    for (std::size_t start = 0; start < size; start += length) {
      for (std::size_t k = 0; k < length / 2; ++k) {
        const std::complex<double> odd = values[start + k + length / 2] * turns[k];
        values[start + k + length / 2] = values[start + k] - odd;
        values[start + k] += odd;
      }
    }
  }
}

}  // namespace

std::vector<SpectrumBin> complex_spectrum(const signal::Trace& i, const signal::Trace& q,
                                          std::size_t most_points) {
  constexpr double lowest_db = -200;
  const std::size_t points = std::min({i.size, q.size, most_points});
  std::vector<double> re(points);
  std::vector<double> im(points);
  signal::read_volts(i, 0, re);
  signal::read_volts(q, 0, im);
  const auto mean = [&](const std::vector<double>& of) {
    return std::accumulate(of.begin(), of.end(), 0.0) / static_cast<double>(points);
  };
  const double mean_re = mean(re);
  const double mean_im = mean(im);
  const auto window = signal::window_values(signal::Window::blackman_harris, points);
  // Zeros up to a power of two put more bins under each line; its level stays.
  constexpr std::size_t fewest_bins = 16384;
  std::vector<std::complex<double>> values(std::max(std::bit_ceil(points), fewest_bins));
  for (std::size_t n = 0; n < points; ++n) {
    values[n] = window[n] * std::complex<double>(re[n] - mean_re, im[n] - mean_im);
  }
  transform(values);
  const double scale = 1 / std::accumulate(window.begin(), window.end(), 0.0);
  const std::size_t size = values.size();
  std::vector<SpectrumBin> bins;
  bins.reserve(size);
  for (std::size_t n = 0; n < size; ++n) {
    const std::size_t k = (n + size / 2) % size;
    const double place = static_cast<double>(n) - static_cast<double>(size / 2);
    const double level_v = std::abs(values[k]) * scale;
    bins.push_back({place / (static_cast<double>(size) * i.dt_s),
                    std::max(lowest_db, 20 * std::log10(level_v))});
  }
  return bins;
}

std::vector<SpectrumBin> thinned(const std::vector<SpectrumBin>& bins, std::size_t most) {
  const std::size_t group = (bins.size() + most - 1) / most;
  if (group <= 1) return bins;
  std::vector<SpectrumBin> out;
  for (std::size_t first = 0; first < bins.size(); first += group) {
    const auto begin = bins.begin() + static_cast<std::ptrdiff_t>(first);
    const auto end =
        bins.begin() + static_cast<std::ptrdiff_t>(std::min(first + group, bins.size()));
    out.push_back(*std::max_element(begin, end, [](const SpectrumBin& a, const SpectrumBin& b) {
      return a.level_db < b.level_db;
    }));
  }
  return out;
}

}  // namespace nightbench::analyse
