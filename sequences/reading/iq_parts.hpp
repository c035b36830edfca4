// What measure_iq hands from one stage to the next. Inner part of this folder.
#pragma once

#include <complex>
#include <cstddef>
#include <optional>

#include "sequences/reading/iq.hpp"
#include "sequences/signal/spectrum.hpp"

namespace nightbench::reading {

// One channel of the capture after the fit.
struct Side {
  const signal::Trace* trace = nullptr;
  const signal::ChannelTone* tone = nullptr;
  const char* name = "";
  bool dead = false;
  double widen = 1.0;           // of type A, for noise that is louder at the tone than on average
  double u_quantisation = 0.0;  // relative, of the amplitude
  double noise_v2_hz = 0.0;     // one-sided density beside the lines
  std::size_t noise_bins = 0;
  signal::Line largest_other;  // in the residual, harmonics left out
};

struct Capture {
  const IqContext* context = nullptr;
  const signal::TwoChannelFit* fit = nullptr;
  Side i;
  Side q;
  std::optional<double> expected_if_hz;  // |f_RF - f_LO|
  double u_expected_hz = 0.0;
};

// Spectrum of the residual: noise beside the lines, the largest stranger, coloured noise.
void look_at_residual(const signal::TwoChannelFit& fit, Side& side);

struct DistortionOutcomes {
  Outcome thd = not_measured();
  Outcome sinad = not_measured();
  Outcome bits = not_measured();
  Outcome noise = not_measured();
};
DistortionOutcomes distortion_of(const Side& side, const IqContext& context, char letter);

// An image rejection with the interval that its kappa's covariance gives.
Outcome rejection_reading(const char* quantity, std::complex<double> kappa,
                          const KappaCovariance& covariance, Budget budget);

NoReading silent(const Side& side);

// Fills every quantity of a good capture.
void fill_quantities(const Capture& capture, IqResult& result);

// Offsets of a capture without a tone.
Outcome mean_of_trace(const signal::Trace& trace, const IqContext& context, const char* quantity);

}  // namespace nightbench::reading
