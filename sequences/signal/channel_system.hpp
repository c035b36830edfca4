// Least squares of one channel at a given frequency, and its pull on a frequency that is shared.
//
// Unknowns x = [A1, B1, .. AK, BK, C] for y = sum A_k cos(k w t) + B_k sin(k w t) + C, t from the
// middle of the record. The normal matrix has closed forms (sums of cosines over equal steps), so
// only D'y needs the data. Inner part of this folder.
#pragma once

#include <complex>
#include <cstddef>
#include <span>
#include <vector>

#include "sequences/signal/block_sums.hpp"
#include "sequences/signal/samples.hpp"

namespace nightbench::signal {

// What a channel says about the frequency, with e = dy/dw of its model and P the projector off D:
// e'Py and e'Pe, w in rad/s. The best common step is sum q e'Py / sum q e'Pe.
struct Pull {
  double gradient = 0.0;
  double curvature = 0.0;
};

class ChannelSystem {
 public:
  // 1 + 2 * harmonics unknowns; the trace must have more points than that.
  ChannelSystem(const Trace& trace, int harmonics);

  // Linear fit at `frequency_hz`. False when the unknowns cannot be told apart there (too short a
  // record, or harmonics that fold on each other).
  bool solve(double frequency_hz);

  // Pull with the derivative taken at coefficients `x`; solve first. Also fills drift().
  Pull pull(std::span<const double> x);

  std::size_t unknowns() const { return unknowns_; }
  const std::vector<double>& coefficients() const { return x_; }
  const std::vector<double>& drift() const { return g_; }      // -dx/dw, per rad/s
  double inverse(std::size_t row, std::size_t column) const {  // of D'D
    return inverse_[row * unknowns_ + column];
  }
  double offset_v() const { return x_[unknowns_ - 1] + pivot_v_; }
  double sum_of_squares() const { return sum_yy_; }  // of the data less the pivot
  double residual_squares() const { return residual_squares_; }
  // Residual sum of squares from the samples themselves: for small residuals, where the sums of
  // solve() have lost their digits.
  double exact_residual_squares() const;
  bool residual_is_coarse() const { return residual_squares_ < 1e-7 * sum_yy_; }

 private:
  double cosine_sum(int multiple) const;       // sum cos(m w t)
  double tau_sine_sum(int multiple) const;     // sum tau sin(m w t)
  double tau2_cosine_sum(int multiple) const;  // sum tau^2 cos(m w t)

  struct Kernel {
    double c0 = 0.0;
    double s1 = 0.0;
    double c2 = 0.0;
  };
  Kernel kernel(int multiple) const;

  Trace trace_;
  int harmonics_;
  std::size_t unknowns_;
  double pivot_v_;
  BlockSums sums_;
  double half_s_;        // half of the span, seconds: tau = t / half_s
  double cycles_ = 0.0;  // per sample, of the last solve
  RecordSums record_;
  double sum_yy_ = 0.0;
  std::vector<Kernel> kernels_;  // [multiple], 0 .. 2K
  std::vector<double> inverse_;
  std::vector<double> x_;
  std::vector<double> g_;
  double residual_squares_ = 0.0;
};

// Writes the volts of a trace less `offset_v` and the harmonics in `phasors_v` ([k - 1], at the
// middle of the trace).
void subtract_model(const Trace& trace, double cycles_per_sample, double offset_v,
                    std::span<const std::complex<double>> phasors_v, std::size_t first,
                    std::span<double> out);

}  // namespace nightbench::signal
