#include "sequences/signal/block_sums.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>

namespace nightbench::signal {
namespace {

constexpr std::size_t rows = 8;
constexpr double two_pi = 2.0 * std::numbers::pi;

// acc += sum over j of y[j] * table[j][0..7]. Eight independent sums, twice, so that the compiler
// can use vectors without changing the order of additions.
void accumulate(const double* y, std::size_t count, const double* table, double* out) {
  std::array<double, rows> even{};
  std::array<double, rows> odd{};
  std::size_t j = 0;
  for (; j + 1 < count; j += 2) {
    const double* row = table + j * rows;
    const double a = y[j];
    const double b = y[j + 1];
    for (std::size_t r = 0; r < rows; ++r) even[r] += a * row[r];
    for (std::size_t r = 0; r < rows; ++r) odd[r] += b * row[rows + r];
  }
  if (j < count) {
    for (std::size_t r = 0; r < rows; ++r) even[r] += y[j] * table[j * rows + r];
  }
  for (std::size_t r = 0; r < rows; ++r) out[r] = even[r] + odd[r];
}

double sum_of_squares(const double* y, std::size_t count) {
  std::array<double, 4> sums{};
  std::size_t j = 0;
  for (; j + 3 < count; j += 4) {
    for (std::size_t r = 0; r < 4; ++r) sums[r] += y[j + r] * y[j + r];
  }
  for (; j < count; ++j) sums[0] += y[j] * y[j];
  return (sums[0] + sums[1]) + (sums[2] + sums[3]);
}

}  // namespace

std::complex<double> turn(double cycles_per_step, double steps) {
  const double product = cycles_per_step * steps;
  const double rest = std::fma(cycles_per_step, steps, -product);
  const double angle = two_pi * ((product - std::nearbyint(product)) + rest);
  return {std::cos(angle), std::sin(angle)};
}

double pivot_of(const Trace& trace) {
  std::array<double, 256> some;
  const std::size_t count = std::min(some.size(), trace.size);
  if (count == 0) return 0.0;
  read_volts(trace, 0, std::span(some).first(count));
  double sum = 0.0;
  for (std::size_t j = 0; j < count; ++j) sum += some[j];
  const double mean = sum / static_cast<double>(count);
  return std::isfinite(mean) ? mean : 0.0;
}

BlockSums::BlockSums(const Trace& trace, int harmonics, double pivot_v)
    : trace_(trace),
      harmonics_(harmonics),
      pivot_v_(pivot_v),
      block_(std::clamp<std::size_t>(trace.size / 64, 64, 256)),
      middle_(0.5 * static_cast<double>(block_ - 1)) {
  block_ = std::min(block_, std::max<std::size_t>(trace.size, 1));
  middle_ = 0.5 * static_cast<double>(block_ - 1);
  const std::size_t blocks = (trace.size + block_ - 1) / block_;
  tables_.resize(static_cast<std::size_t>(harmonics) * block_ * rows_);
  moments_.resize(blocks * static_cast<std::size_t>(harmonics) * rows_);
}

// Rows: cos, sin, v cos, v sin, v^2 cos, v^2 sin, 1, 0, with v in samples over the half block.
void BlockSums::fill_tables() {
  const double scale = middle_ > 0.0 ? 1.0 / middle_ : 1.0;
  // The table is even and odd about its middle: half of the cosines serve both sides.
  for (int k = 1; k <= harmonics_; ++k) {
    double* table = tables_.data() + static_cast<std::size_t>(k - 1) * block_ * rows_;
    const double cycles = made_for_ * k;
    for (std::size_t j = 0; j < (block_ + 1) / 2; ++j) {
      const double place = static_cast<double>(j) - middle_;
      const std::complex<double> c = turn(cycles, place);
      const double v = place * scale;
      const std::array<double, rows> row = {
          c.real(),         c.imag(),         v * c.real(), v * c.imag(),
          v * v * c.real(), v * v * c.imag(), 1.0,          0.0};
      const std::array<double, rows> mirror = {row[0], -row[1], -row[2], row[3],
                                               row[4], -row[5], 1.0,     0.0};
      std::copy(row.begin(), row.end(), table + j * rows_);
      std::copy(mirror.begin(), mirror.end(), table + (block_ - 1 - j) * rows_);
    }
  }
}

void BlockSums::pass(double cycles_per_sample) {
  made_for_ = cycles_per_sample;
  fill_tables();
  sum_y_ = 0.0;
  sum_yy_ = 0.0;
  std::array<double, 256> y;
  std::size_t block = 0;
  for (std::size_t first = 0; first < trace_.size; first += block_, ++block) {
    const std::size_t count = std::min(block_, trace_.size - first);
    read_volts(trace_, first, std::span(y).first(count), pivot_v_);
    for (int k = 1; k <= harmonics_; ++k) {
      const auto place = static_cast<std::size_t>(k - 1);
      double* out =
          moments_.data() + (block * static_cast<std::size_t>(harmonics_) + place) * rows_;
      accumulate(y.data(), count, tables_.data() + place * block_ * rows_, out);
    }
    sum_y_ += moments_[block * static_cast<std::size_t>(harmonics_) * rows_ + 6];
    sum_yy_ += sum_of_squares(y.data(), count);
  }
}

bool BlockSums::covers(double cycles_per_sample) const {
  if (made_for_ < 0.0) return false;
  const double edge =
      two_pi * std::abs(cycles_per_sample - made_for_) * harmonics_ * std::max(middle_, 0.5);
  return edge < 5e-5;  // third-order term below 2.1e-14
}

RecordSums BlockSums::at(double cycles_per_sample) const {
  const auto harmonics = static_cast<std::size_t>(harmonics_);
  RecordSums sums;
  sums.y.assign(harmonics, {});
  sums.tau_y.assign(harmonics, {});
  sums.sum_y = sum_y_;
  sums.sum_yy = sum_yy_;
  const double half = 0.5 * static_cast<double>(trace_.size > 1 ? trace_.size - 1 : 1);
  const double middle = std::max(middle_, 1e-300);
  const double shift = two_pi * (cycles_per_sample - made_for_) * middle;
  const std::complex<double> minus_j(0.0, -1.0);
  std::size_t block = 0;
  for (std::size_t first = 0; first < trace_.size; first += block_, ++block) {
    const double centre = static_cast<double>(first) + middle_ - half;
    const std::complex<double> once = std::conj(turn(cycles_per_sample, centre));
    std::complex<double> turned = once;
    for (std::size_t k = 0; k < harmonics; ++k) {
      const double* m = moments_.data() + (block * harmonics + k) * rows_;
      const std::complex<double> m0(m[0], -m[1]);
      const std::complex<double> m1(m[2], -m[3]);
      const std::complex<double> m2(m[4], -m[5]);
      const double s = shift * static_cast<double>(k + 1);
      const std::complex<double> sum = m0 + minus_j * (s * m1) - (0.5 * s * s) * m2;
      const std::complex<double> v_sum = m1 + minus_j * (s * m2);
      sums.y[k] += turned * sum;
      sums.tau_y[k] += turned * (centre * sum + middle * v_sum) / half;
      if (k + 1 < harmonics) turned *= once;
    }
  }
  return sums;
}

}  // namespace nightbench::signal
