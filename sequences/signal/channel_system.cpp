#include "sequences/signal/channel_system.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>

#include "sequences/signal/small_matrix.hpp"

namespace nightbench::signal {

ChannelSystem::ChannelSystem(const Trace& trace, int harmonics)
    : trace_(trace),
      harmonics_(harmonics),
      unknowns_(static_cast<std::size_t>(2 * harmonics + 1)),
      pivot_v_(pivot_of(trace)),
      sums_(trace, harmonics, pivot_v_),
      half_s_(0.5 * trace.dt_s * static_cast<double>(trace.size - 1)) {}

// With u = -h .. h in steps of 1 and D(theta) = sum cos(theta u) = sin(N theta/2)/sin(theta/2):
// sum u sin = -D', sum u^2 cos = -D''. theta is first brought near 0 by whole turns, each of which
// flips the sign when N is even (u is then half-integer).
ChannelSystem::Kernel ChannelSystem::kernel(int multiple) const {
  const double n = static_cast<double>(trace_.size);
  const double half = 0.5 * (n - 1.0);
  if (multiple == 0) return {n, 0.0, n * (n * n - 1.0) / 12.0 / (half * half)};
  const double cycles = cycles_ * multiple;
  const double turns = std::nearbyint(cycles);
  const double phi = std::numbers::pi * (cycles - turns);
  const bool flips = trace_.size % 2 == 0 && std::fmod(std::abs(turns), 2.0) == 1.0;
  const double sign = flips ? -1.0 : 1.0;
  double d0 = 0.0;
  double d1 = 0.0;
  double d2 = 0.0;
  if (std::abs(n * phi) < 0.05) {
    // Power series; the closed form would lose its digits here.
    const double s2 = n * (n * n - 1.0) / 12.0;
    const double s4 = s2 * (3.0 * n * n - 7.0) / 20.0;
    const double s6 = s2 * (3.0 * n * n * n * n - 18.0 * n * n + 31.0) / 112.0;
    const double theta = 2.0 * phi;
    const double t2 = theta * theta;
    d0 = n - t2 * s2 / 2.0 + t2 * t2 * s4 / 24.0 - t2 * t2 * t2 * s6 / 720.0;
    d1 = theta * (-s2 + t2 * s4 / 6.0 - t2 * t2 * s6 / 120.0);
    d2 = -s2 + t2 * s4 / 2.0 - t2 * t2 * s6 / 24.0;
  } else {
    const std::complex<double> fast = turn(0.5 * (cycles - turns), n);
    const double sine = std::sin(phi);
    const double cosine = std::cos(phi);
    d0 = fast.imag() / sine;
    const double slope = (n * fast.real() - d0 * cosine) / sine;
    d1 = 0.5 * slope;
    d2 = 0.25 * ((1.0 - n * n) * d0 - 2.0 * slope * cosine / sine);
  }
  return {sign * d0, -sign * d1 / half, -sign * d2 / (half * half)};
}

double ChannelSystem::cosine_sum(int m) const {
  return kernels_[static_cast<std::size_t>(std::abs(m))].c0;
}
double ChannelSystem::tau_sine_sum(int m) const {
  const double value = kernels_[static_cast<std::size_t>(std::abs(m))].s1;
  return m < 0 ? -value : value;
}
double ChannelSystem::tau2_cosine_sum(int m) const {
  return kernels_[static_cast<std::size_t>(std::abs(m))].c2;
}

bool ChannelSystem::solve(double frequency_hz) {
  cycles_ = frequency_hz * trace_.dt_s;
  if (!sums_.covers(cycles_)) sums_.pass(cycles_);
  record_ = sums_.at(cycles_);
  sum_yy_ = record_.sum_yy;

  kernels_.resize(static_cast<std::size_t>(2 * harmonics_ + 1));
  for (int m = 0; m <= 2 * harmonics_; ++m) kernels_[static_cast<std::size_t>(m)] = kernel(m);

  const std::size_t p = unknowns_;
  inverse_.assign(p * p, 0.0);
  std::vector<double> right(p);
  for (int k = 1; k <= harmonics_; ++k) {
    const auto a = static_cast<std::size_t>(2 * k - 2);
    for (int l = 1; l <= harmonics_; ++l) {
      const auto b = static_cast<std::size_t>(2 * l - 2);
      inverse_[a * p + b] = 0.5 * (cosine_sum(k - l) + cosine_sum(k + l));
      inverse_[(a + 1) * p + b + 1] = 0.5 * (cosine_sum(k - l) - cosine_sum(k + l));
    }
    inverse_[a * p + p - 1] = cosine_sum(k);
    inverse_[(p - 1) * p + a] = cosine_sum(k);
    right[a] = record_.y[static_cast<std::size_t>(k - 1)].real();
    right[a + 1] = -record_.y[static_cast<std::size_t>(k - 1)].imag();
  }
  inverse_[p * p - 1] = cosine_sum(0);
  right[p - 1] = record_.sum_y;
  if (!invert_positive(inverse_, p)) return false;

  x_.assign(p, 0.0);
  double explained = 0.0;
  for (std::size_t i = 0; i < p; ++i) {
    for (std::size_t j = 0; j < p; ++j) x_[i] += inverse_[i * p + j] * right[j];
    explained += x_[i] * right[i];
  }
  residual_squares_ = record_.sum_yy - explained;
  if (residual_squares_ < 0.0) residual_squares_ = 0.0;  // by rounding; NaN stays NaN
  return true;
}

Pull ChannelSystem::pull(std::span<const double> x) {
  const std::size_t p = unknowns_;
  std::vector<double> b(p, 0.0);  // D'e
  double ey = 0.0;
  double ee = 0.0;
  for (int k = 1; k <= harmonics_; ++k) {
    const auto at = static_cast<std::size_t>(2 * k - 2);
    const double ak = x[at] * k;
    const double bk = x[at + 1] * k;
    const std::complex<double> ty = record_.tau_y[static_cast<std::size_t>(k - 1)];
    ey += ak * ty.imag() + bk * ty.real();
    b[p - 1] -= ak * tau_sine_sum(k);
    for (int l = 1; l <= harmonics_; ++l) {
      const auto to = static_cast<std::size_t>(2 * l - 2);
      b[to] -= ak * 0.5 * (tau_sine_sum(k + l) + tau_sine_sum(k - l));
      b[to + 1] += bk * 0.5 * (tau_sine_sum(k + l) - tau_sine_sum(k - l));
      const double al = x[to] * l;
      const double bl = x[to + 1] * l;
      const double difference = tau2_cosine_sum(k - l);
      const double sum = tau2_cosine_sum(k + l);
      ee += 0.5 * (ak * al * (difference - sum) + bk * bl * (difference + sum));
    }
  }
  g_.assign(p, 0.0);
  double be = 0.0;
  double by = 0.0;
  for (std::size_t i = 0; i < p; ++i) {
    for (std::size_t j = 0; j < p; ++j) g_[i] += inverse_[i * p + j] * b[j];
    be += b[i] * g_[i];
    by += b[i] * x_[i];
  }
  for (double& value : g_) value *= half_s_;
  return {half_s_ * (ey - by), half_s_ * half_s_ * std::max(0.0, ee - be)};
}

double ChannelSystem::exact_residual_squares() const {
  std::vector<std::complex<double>> phasors;
  for (std::size_t k = 0; k + 1 < unknowns_; k += 2) phasors.emplace_back(x_[k], -x_[k + 1]);
  std::array<double, 256> rest;
  double sum = 0.0;
  for (std::size_t first = 0; first < trace_.size; first += rest.size()) {
    const std::size_t count = std::min(rest.size(), trace_.size - first);
    const std::span<double> some = std::span(rest).first(count);
    subtract_model(trace_, cycles_, offset_v(), phasors, first, some);
    for (double r : some) sum += r * r;
  }
  return sum;
}

void subtract_model(const Trace& trace, double cycles_per_sample, double offset_v,
                    std::span<const std::complex<double>> phasors_v, std::size_t first,
                    std::span<double> out) {
  read_volts(trace, first, out, offset_v);
  const double half = 0.5 * static_cast<double>(trace.size > 0 ? trace.size - 1 : 0);
  constexpr std::size_t stretch = 32;  // samples between exact phases
  for (std::size_t k = 0; k < phasors_v.size(); ++k) {
    const double cycles = cycles_per_sample * static_cast<double>(k + 1);
    const std::complex<double> step = turn(cycles, 1.0);
    for (std::size_t at = 0; at < out.size(); at += stretch) {
      std::complex<double> now =
          phasors_v[k] * turn(cycles, static_cast<double>(first + at) - half);
      const std::size_t end = std::min(at + stretch, out.size());
      for (std::size_t n = at; n < end; ++n) {
        out[n] -= now.real();
        now *= step;
      }
    }
  }
}

}  // namespace nightbench::signal
