// Two channels, one frequency: the seven-parameter fit (Haendel, "Parameter Estimation Employing a
// Dual-Channel Sine-Wave Model Under a Gaussian Assumption", IEEE Trans. Instrum. Meas., 2008),
// by partitioned least squares, with harmonics of the tone fitted together when asked for.
//
// Each channel keeps its own t0 and dt: sequential or interleaved sampling needs no correction.
// Model of channel c: sum over k = 1..K of a_ck cos(2 pi k f t + p_ck), plus an offset.
// Units: Hz, seconds, volts, radians. Pure and safe in any number of threads.
#pragma once

#include <array>
#include <complex>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <vector>

#include "sequences/signal/samples.hpp"

namespace nightbench::signal {

enum class Weighting : std::uint8_t {
  equal,     // both channels count alike
  residual,  // by the inverse of each channel's residual variance (the maximum-likelihood choice)
};

struct TwoChannelOptions {
  int harmonics = 1;  // K; harmonics at or above 0.45 of a channel's sample rate are left out
  Weighting weighting = Weighting::residual;
  std::optional<double> phase_at_s;  // instant of the phases; none: sample 0 of the first channel
  int most_steps = 30;
  double stop_rad = 1e-9;
  double basin_bins = 0.75;
  double fewest_periods = 1.0;
};

struct ChannelTone {
  double amplitude_v = 0.0;  // peak, of the fundamental
  double phase_rad = 0.0;    // of the fundamental at `at_s` of the fit, in (-pi, pi]
  double offset_v = 0.0;
  double u_amplitude_v = 0.0;
  double u_phase_rad = 0.0;
  double u_offset_v = 0.0;
  double residual_rms_v = 0.0;  // sqrt(r'r / N); harmonics that were fitted are not in it
  double residual_std_v = 0.0;  // with N less the channel's parameters
  std::size_t points = 0;
  std::size_t parameters = 0;
  std::complex<double> phasor_v;                  // a exp(j p) at `at_s`
  std::vector<std::complex<double>> harmonics_v;  // [k - 2]: phasor of harmonic k at `at_s`
  double u_harmonic_v = 0.0;  // standard uncertainty of each part of a harmonic's phasor
};

// Places in TwoChannelFit::covariance.
enum : std::size_t { phase_difference_place = 0, ln_ratio_place = 1, frequency_place = 2 };

struct TwoChannelFit {
  double frequency_hz = 0.0;
  double u_frequency_hz = 0.0;
  ChannelTone first;
  ChannelTone second;
  double phase_difference_rad = 0.0;  // second less first, wrapped to (-pi, pi]
  double u_phase_difference_rad = 0.0;
  double ln_ratio = 0.0;  // ln of second amplitude over first
  double u_ln_ratio = 0.0;
  // Covariance of (phase difference rad, ln ratio, frequency Hz), white residuals.
  std::array<std::array<double, 3>, 3> covariance{};
  double at_s = 0.0;
  double periods = 0.0;  // of the shorter record
  int steps = 0;
};

// Gauss-Newton from `start_hz`; the refusals of four_parameter_fit. One channel may be silent: its
// amplitude is then near zero, and its phase and the ratio carry uncertainties that say so.
Expected<TwoChannelFit> two_channel_fit(const Trace& first, const Trace& second, double start_hz,
                                        const TwoChannelOptions& options = {});

// Both channels at a known frequency (linear, always one solution); u_frequency_hz is 0.
Expected<TwoChannelFit> two_channel_fit_at(const Trace& first, const Trace& second,
                                           double frequency_hz,
                                           const TwoChannelOptions& options = {});

// Writes y less the fitted model for samples first .. first + out.size() - 1 of the trace that gave
// `tone`.
void residual_volts(const Trace& trace, const TwoChannelFit& fit, const ChannelTone& tone,
                    std::size_t first, std::span<double> out);

}  // namespace nightbench::signal
