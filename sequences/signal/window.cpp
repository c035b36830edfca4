#include <algorithm>
#include <array>
#include <cmath>
#include <map>
#include <mutex>
#include <numbers>
#include <utility>

#include "sequences/signal/block_sums.hpp"
#include "sequences/signal/spectrum.hpp"

namespace nightbench::signal {
namespace {

// a0 - a1 cos x + a2 cos 2x - a3 cos 3x + a4 cos 4x, x = 2 pi n / N.
std::array<double, 5> terms(Window window) {
  switch (window) {
    case Window::rectangular:
      return {1.0, 0.0, 0.0, 0.0, 0.0};
    case Window::hann:
      return {0.5, 0.5, 0.0, 0.0, 0.0};
    case Window::hamming:
      return {0.54, 0.46, 0.0, 0.0, 0.0};
    case Window::blackman:
      return {0.42, 0.5, 0.08, 0.0, 0.0};
    case Window::blackman_harris:
      return {0.35875, 0.48829, 0.14128, 0.01168, 0.0};
    case Window::flat_top:
      return {0.21557895, 0.41663158, 0.277263158, 0.083578947, 0.006947368};
  }
  return {1.0, 0.0, 0.0, 0.0, 0.0};
}

}  // namespace

std::vector<double> window_values(Window window, std::size_t points) {
  std::vector<double> values(points, 1.0);
  if (window == Window::rectangular) return values;
  const std::array<double, 5> a = terms(window);
  const double cycles = 1.0 / static_cast<double>(points);
  const std::complex<double> step = turn(cycles, 1.0);
  constexpr std::size_t stretch = 32;  // samples between exact phases
  for (std::size_t first = 0; first < points; first += stretch) {
    std::complex<double> now = turn(cycles, static_cast<double>(first));
    const std::size_t end = std::min(first + stretch, points);
    for (std::size_t n = first; n < end; ++n) {
      const double c1 = now.real();
      const double c2 = 2.0 * c1 * c1 - 1.0;
      const double c3 = 2.0 * c1 * c2 - c1;
      const double c4 = 2.0 * c2 * c2 - 1.0;
      values[n] = a[0] - a[1] * c1 + a[2] * c2 - a[3] * c3 + a[4] * c4;
      now *= step;
    }
  }
  return values;
}

std::shared_ptr<const std::vector<double>> kept_window(Window window, std::size_t points) {
  using Values = std::shared_ptr<const std::vector<double>>;
  constexpr std::size_t most_points = 65'536;
  constexpr std::size_t most_kept = 16;
  static std::mutex mutex;
  static std::map<std::pair<Window, std::size_t>, Values> kept;
  if (points > most_points) {
    return std::make_shared<const std::vector<double>>(window_values(window, points));
  }
  const std::lock_guard lock(mutex);
  Values& found = kept[{window, points}];
  const Values out =
      found ? found : std::make_shared<const std::vector<double>>(window_values(window, points));
  found = out;
  if (kept.size() > most_kept) kept.clear();
  return out;
}

WindowFigures window_figures(Window window, std::size_t points) {
  const std::vector<double> w = window_values(window, points);
  double sum = 0.0;
  double squares = 0.0;
  std::complex<double> half_bin;
  for (std::size_t n = 0; n < points; ++n) {
    sum += w[n];
    squares += w[n] * w[n];
    half_bin += w[n] * turn(0.5 / static_cast<double>(points), static_cast<double>(n));
  }
  const auto count = static_cast<double>(points);
  return {sum / count, count * squares / (sum * sum), -20.0 * std::log10(std::abs(half_bin) / sum)};
}

}  // namespace nightbench::signal
