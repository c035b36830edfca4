// Offset and phasor of a sampled tone, for the board's tests.
#pragma once

#include <complex>
#include <vector>

namespace nightbench::mock::board::test {

struct Fit {
  double offset = 0.0;
  std::complex<double> phasor;  // y = offset + Re(phasor exp(j 2 pi f t)), t from the first sample
};

// Linear least squares at a known frequency.
Fit fit(const std::vector<double>& y, double rate_hz, double hz);

double db(double ratio);
double degrees(std::complex<double> x);
double apart_deg(double a_deg, double b_deg);  // wrapped to (-180, 180]

}  // namespace nightbench::mock::board::test
