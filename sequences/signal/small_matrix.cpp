#include "sequences/signal/small_matrix.hpp"

#include <cmath>

namespace nightbench::signal {

bool invert_positive(std::vector<double>& a, std::size_t n) {
  std::vector<double> lower(n * n, 0.0);
  for (std::size_t i = 0; i < n; ++i) {
    for (std::size_t j = 0; j <= i; ++j) {
      double sum = a[i * n + j];
      for (std::size_t k = 0; k < j; ++k) sum -= lower[i * n + k] * lower[j * n + k];
      if (i != j) {
        lower[i * n + j] = sum / lower[j * n + j];
        continue;
      }
      if (!(sum > 1e-12 * a[i * n + i])) return false;
      lower[i * n + i] = std::sqrt(sum);
    }
  }
  // Columns of the inverse of L, then L^-T L^-1.
  std::vector<double> inverse(n * n, 0.0);
  for (std::size_t column = 0; column < n; ++column) {
    for (std::size_t i = column; i < n; ++i) {
      double sum = i == column ? 1.0 : 0.0;
      for (std::size_t k = column; k < i; ++k) sum -= lower[i * n + k] * inverse[k * n + column];
      inverse[i * n + column] = sum / lower[i * n + i];
    }
  }
  for (std::size_t i = 0; i < n; ++i) {
    for (std::size_t j = 0; j <= i; ++j) {
      double sum = 0.0;
      for (std::size_t k = i; k < n; ++k) sum += inverse[k * n + i] * inverse[k * n + j];
      a[i * n + j] = sum;
      a[j * n + i] = sum;
    }
  }
  return true;
}

}  // namespace nightbench::signal
