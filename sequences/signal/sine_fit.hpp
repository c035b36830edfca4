// Least-squares sine fits of one channel (IEEE Std 1057 and 1241; the method from memory, our own
// stop rule as the standards fix none: Bilau et al., Comput. Stand. Interfaces 26, 2004, sect. 1).
//
// The model is y = A cos(2 pi f t) + B sin(2 pi f t) + C, also a cos(2 pi f t + p) + C with
// a = hypot(A, B) and p = atan2(-B, A). Inside, time counts from the middle of the record, where
// phase and frequency are uncorrelated; A, B and p are reported at a stated instant.
// Units: Hz, seconds, volts, radians. Pure and safe in any number of threads.
#pragma once

#include <complex>
#include <cstddef>
#include <optional>
#include <vector>

#include "sequences/signal/samples.hpp"

namespace nightbench::signal {

struct FitOptions {
  std::optional<double> phase_at_s;  // instant of A, B and the phase; none: sample 0 of the trace
  int most_steps = 30;
  double stop_rad = 1e-9;       // settled when the step moves the phase over the record by less
  double basin_bins = 0.75;     // the result may lie this many bins (1/T) from the start
  double fewest_periods = 1.0;  // below about one period no four-parameter result can be trusted
};

struct SineFit {
  double frequency_hz = 0.0;
  double amplitude_v = 0.0;  // peak
  double phase_rad = 0.0;    // at `at_s`, in (-pi, pi]
  double offset_v = 0.0;
  double cos_v = 0.0;  // A at `at_s`
  double sin_v = 0.0;  // B at `at_s`

  // Standard uncertainties for white residuals: s^2 (J'J)^-1 with N less the number of parameters.
  double u_frequency_hz = 0.0;  // 0 for a fit at known frequency
  double u_amplitude_v = 0.0;
  double u_phase_rad = 0.0;  // at `at_s`; smallest at the middle of the record
  double u_offset_v = 0.0;

  double residual_rms_v = 0.0;  // sqrt(r'r / N), the standards' rms error
  double residual_std_v = 0.0;  // sqrt(r'r / (N - parameters))
  double at_s = 0.0;
  double periods = 0.0;  // f N dt
  std::size_t points = 0;
  int steps = 0;                    // steps taken by the four-parameter iteration
  std::vector<double> iterates_hz;  // the start and the frequency after each step

  // A - jB = a exp(j p), at `at_s`.
  std::complex<double> phasor_v() const { return {cos_v, -sin_v}; }
};

// Frequency known. Refuses fewer than 4 points, bad samples and frequencies outside (0, fs/2).
Expected<SineFit> three_parameter_fit(const Trace& trace, double frequency_hz,
                                      const FitOptions& options = {});

// Frequency unknown, Gauss-Newton from `start_hz`. Refuses further: fewer than
// options.fewest_periods, a result more than options.basin_bins from the start, a residual larger
// than that at the start, and an iteration that did not settle to 0.01 of its own uncertainty.
Expected<SineFit> four_parameter_fit(const Trace& trace, double start_hz,
                                     const FitOptions& options = {});

}  // namespace nightbench::signal
