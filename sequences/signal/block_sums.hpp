// One pass over the data serves many frequencies near the one it was made for.
//
// The record is cut into blocks. For each block and harmonic k the pass keeps
// sum y v^p exp(-j k w0 v), p = 0..2, v the place within the block. At w = w0 + dw the sums over
// the whole record follow from the blocks' own, turned by their centres' phases, and a second-order
// series inside a block. `covers` tells how far that holds to about 1e-13. Tables of the cosines
// are shared by all blocks, and their phases are reduced exactly, so nothing drifts in long
// records. Inner part of this folder: the fits are its public face.
#pragma once

#include <complex>
#include <cstddef>
#include <vector>

#include "sequences/signal/samples.hpp"

namespace nightbench::signal {

// cos and sin of 2 pi `cycles_per_step` `steps`, the product reduced before it is rounded.
std::complex<double> turn(double cycles_per_step, double steps);

struct RecordSums {
  std::vector<std::complex<double>> y;      // [k - 1]: sum y exp(-j k w t), t from the middle
  std::vector<std::complex<double>> tau_y;  // the same times tau = t / half of the span
  double sum_y = 0.0;
  double sum_yy = 0.0;
};

class BlockSums {
 public:
  // `pivot_v` is taken off every sample, so that a large DC costs no digits.
  BlockSums(const Trace& trace, int harmonics, double pivot_v);

  void pass(double cycles_per_sample);
  bool covers(double cycles_per_sample) const;
  // Valid when covers(cycles_per_sample).
  RecordSums at(double cycles_per_sample) const;

 private:
  static constexpr std::size_t rows_ = 8;

  void fill_tables();

  Trace trace_;
  int harmonics_;
  double pivot_v_;
  std::size_t block_;            // samples in a block
  double middle_;                // of a block, in samples from its first
  double made_for_ = -1.0;       // cycles per sample of the last pass
  std::vector<double> tables_;   // [k][sample][row]
  std::vector<double> moments_;  // [block][k][row]
  double sum_y_ = 0.0;
  double sum_yy_ = 0.0;
};

// Mean of the first samples: near enough to the DC to serve as a pivot.
double pivot_of(const Trace& trace);

}  // namespace nightbench::signal
