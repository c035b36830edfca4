#include "sequences/signal/two_channel_fit.hpp"

#include <fmt/core.h>

#include <algorithm>
#include <cmath>
#include <numbers>

#include "sequences/signal/channel_system.hpp"

namespace nightbench::signal {
namespace {

constexpr double two_pi = 2.0 * std::numbers::pi;
constexpr double excursion_bins = 3.0;  // a single step may leave the main lobe and come back

std::unexpected<Trouble> trouble(TroubleKind kind, std::string detail) {
  return std::unexpected(Trouble{kind, std::move(detail)});
}

struct Channel {
  explicit Channel(const Trace& from, int harmonics) : trace(from), system(from, harmonics) {}

  Trace trace;
  ChannelSystem system;
  Pull pull;
  double squares = 0.0;
  double variance = 0.0;  // of a residual
  double weight = 1.0;
  bool exact = false;

  // Residual variance from the sums, never 0: a silent or perfect channel must not outweigh the
  // other beyond what the arithmetic can tell.
  void weigh(Weighting how, double others_squares) {
    squares = system.residual_squares();
    const auto n = static_cast<double>(trace.size);
    const double least = 1e-14 * others_squares / n + 1e-300;
    variance = std::max(squares / (n - static_cast<double>(system.unknowns()) - 0.5), least);
    weight = how == Weighting::residual ? 1.0 / variance : 1.0;
  }

  void make_exact() {
    if (system.residual_is_coarse()) squares = system.exact_residual_squares();
    // Half of the shared frequency is charged to each channel.
    variance =
        squares / (static_cast<double>(trace.size) - static_cast<double>(system.unknowns()) - 0.5);
  }
};

// Signal power of both channels: sets the scale for the least residual.
double power_of(const Channel& channel) {
  double sum = 0.0;
  for (std::size_t i = 0; i + 1 < channel.system.unknowns(); ++i) {
    sum += channel.system.coefficients()[i] * channel.system.coefficients()[i];
  }
  return 0.5 * sum * static_cast<double>(channel.trace.size);
}

int harmonics_in_band(const Trace& first, const Trace& second, double frequency_hz, int wanted) {
  const double dt_s = std::max(first.dt_s, second.dt_s);
  const auto fit_in = static_cast<int>(0.45 / (frequency_hz * dt_s));
  return std::clamp(fit_in, 1, std::max(wanted, 1));
}

std::optional<Trouble> unusable(const Trace& trace, double frequency_hz, int harmonics) {
  if (!(trace.dt_s > 0.0) || !std::isfinite(trace.dt_s) || !std::isfinite(frequency_hz)) {
    return Trouble{TroubleKind::bad_arguments,
                   fmt::format("sample interval {} s, frequency {} Hz", trace.dt_s, frequency_hz)};
  }
  if (!(frequency_hz > 0.0) || frequency_hz * trace.dt_s >= 0.5) {
    return Trouble{TroubleKind::out_of_band,
                   fmt::format("{} Hz is not inside 0 .. {} Hz", frequency_hz, 0.5 / trace.dt_s)};
  }
  const auto unknowns = static_cast<std::size_t>(2 * harmonics + 2);
  if (trace.size <= unknowns) {
    return Trouble{TroubleKind::too_few_points,
                   fmt::format("{} points for {} unknowns", trace.size, unknowns)};
  }
  return std::nullopt;
}

// Sensitivities of one channel's fundamental: rows are phase and ln amplitude, columns A and B.
struct Polar {
  double a = 0.0;
  double b = 0.0;
  double phase_a = 0.0, phase_b = 0.0;
  double ln_a = 0.0, ln_b = 0.0;
};

Polar polar_of(const Channel& channel) {
  Polar polar;
  polar.a = channel.system.coefficients()[0];
  polar.b = channel.system.coefficients()[1];
  const double power = std::max(polar.a * polar.a + polar.b * polar.b, 1e-300);
  polar.phase_a = polar.b / power;
  polar.phase_b = -polar.a / power;
  polar.ln_a = polar.a / power;
  polar.ln_b = polar.b / power;
  return polar;
}

// c' s^2 (D'D)^-1 d over A and B.
double noise_covariance(const Channel& channel, double ca, double cb, double da, double db) {
  const ChannelSystem& s = channel.system;
  return channel.variance * (ca * da * s.inverse(0, 0) + cb * db * s.inverse(1, 1) +
                             (ca * db + cb * da) * s.inverse(0, 1));
}

ChannelTone describe(const Channel& channel, double frequency_hz, double at_s, double uu_w) {
  const ChannelSystem& system = channel.system;
  const Polar polar = polar_of(channel);
  ChannelTone tone;
  tone.points = channel.trace.size;
  tone.parameters = system.unknowns();
  tone.offset_v = system.offset_v();
  tone.residual_rms_v = std::sqrt(channel.squares / static_cast<double>(channel.trace.size));
  tone.residual_std_v = std::sqrt(channel.variance);
  const double later_s = at_s - channel.trace.centre_s();
  tone.phasor_v = std::complex(polar.a, -polar.b) * turn(frequency_hz, later_s);
  tone.amplitude_v = std::abs(tone.phasor_v);
  tone.phase_rad = std::arg(tone.phasor_v);
  for (std::size_t k = 2; 2 * k - 1 < system.unknowns(); ++k) {
    const std::complex<double> phasor(system.coefficients()[2 * k - 2],
                                      -system.coefficients()[2 * k - 1]);
    tone.harmonics_v.push_back(phasor * turn(frequency_hz * static_cast<double>(k), later_s));
  }
  tone.u_harmonic_v = std::sqrt(channel.variance * 2.0 / static_cast<double>(tone.points));

  const std::vector<double>& g = system.drift();
  const std::size_t c = system.unknowns() - 1;
  const double phase_by_w = later_s - (polar.phase_a * g[0] + polar.phase_b * g[1]);
  const double ln_by_w = -(polar.ln_a * g[0] + polar.ln_b * g[1]);
  tone.u_phase_rad = std::sqrt(
      noise_covariance(channel, polar.phase_a, polar.phase_b, polar.phase_a, polar.phase_b) +
      phase_by_w * phase_by_w * uu_w);
  tone.u_amplitude_v =
      tone.amplitude_v *
      std::sqrt(noise_covariance(channel, polar.ln_a, polar.ln_b, polar.ln_a, polar.ln_b) +
                ln_by_w * ln_by_w * uu_w);
  tone.u_offset_v = std::sqrt(channel.variance * system.inverse(c, c) + g[c] * g[c] * uu_w);
  return tone;
}

TwoChannelFit describe(Channel& first, Channel& second, double frequency_hz, double uu_w,
                       const TwoChannelOptions& options) {
  TwoChannelFit fit;
  fit.frequency_hz = frequency_hz;
  fit.u_frequency_hz = std::sqrt(uu_w) / two_pi;
  fit.at_s = options.phase_at_s.value_or(first.trace.t0_s);
  fit.periods = frequency_hz * std::min(first.trace.span_s(), second.trace.span_s());
  fit.first = describe(first, frequency_hz, fit.at_s, uu_w);
  fit.second = describe(second, frequency_hz, fit.at_s, uu_w);
  fit.phase_difference_rad = std::remainder(fit.second.phase_rad - fit.first.phase_rad, two_pi);
  fit.ln_ratio =
      std::log(std::max(fit.second.amplitude_v, 1e-300) / std::max(fit.first.amplitude_v, 1e-300));

  const Polar p1 = polar_of(first);
  const Polar p2 = polar_of(second);
  const std::vector<double>& g1 = first.system.drift();
  const std::vector<double>& g2 = second.system.drift();
  const double difference_by_w = first.trace.centre_s() - second.trace.centre_s() -
                                 (p2.phase_a * g2[0] + p2.phase_b * g2[1]) +
                                 (p1.phase_a * g1[0] + p1.phase_b * g1[1]);
  const double ratio_by_w =
      -(p2.ln_a * g2[0] + p2.ln_b * g2[1]) + (p1.ln_a * g1[0] + p1.ln_b * g1[1]);
  const double dd = noise_covariance(first, p1.phase_a, p1.phase_b, p1.phase_a, p1.phase_b) +
                    noise_covariance(second, p2.phase_a, p2.phase_b, p2.phase_a, p2.phase_b) +
                    difference_by_w * difference_by_w * uu_w;
  const double rr = noise_covariance(first, p1.ln_a, p1.ln_b, p1.ln_a, p1.ln_b) +
                    noise_covariance(second, p2.ln_a, p2.ln_b, p2.ln_a, p2.ln_b) +
                    ratio_by_w * ratio_by_w * uu_w;
  const double dr = noise_covariance(first, p1.phase_a, p1.phase_b, p1.ln_a, p1.ln_b) +
                    noise_covariance(second, p2.phase_a, p2.phase_b, p2.ln_a, p2.ln_b) +
                    difference_by_w * ratio_by_w * uu_w;
  const double df = difference_by_w * uu_w / two_pi;
  const double rf = ratio_by_w * uu_w / two_pi;
  fit.covariance = {{{dd, dr, df}, {dr, rr, rf}, {df, rf, uu_w / two_pi / two_pi}}};
  fit.u_phase_difference_rad = std::sqrt(dd);
  fit.u_ln_ratio = std::sqrt(rr);
  return fit;
}

}  // namespace

Expected<TwoChannelFit> two_channel_fit(const Trace& first, const Trace& second, double start_hz,
                                        const TwoChannelOptions& options) {
  const int harmonics = harmonics_in_band(first, second, start_hz, options.harmonics);
  for (const Trace* trace : {&first, &second}) {
    if (auto why = unusable(*trace, start_hz, harmonics)) return std::unexpected(*std::move(why));
  }
  Channel one(first, harmonics);
  Channel two(second, harmonics);
  const double span_s = std::min(first.span_s(), second.span_s());
  const double longest_s = std::max(first.span_s(), second.span_s());
  const double highest_hz = 0.5 / std::max(first.dt_s, second.dt_s);
  const auto solve = [&](double frequency_hz) {
    return frequency_hz > 0.0 && frequency_hz < highest_hz && one.system.solve(frequency_hz) &&
           two.system.solve(frequency_hz);
  };
  const auto weigh = [&] {
    const double power = power_of(one) + power_of(two);
    one.weigh(options.weighting, power);
    two.weigh(options.weighting, power);
    one.pull = one.system.pull(one.system.coefficients());
    two.pull = two.system.pull(two.system.coefficients());
  };

  double frequency_hz = start_hz;
  if (!solve(frequency_hz)) {
    return trouble(TroubleKind::too_few_periods,
                   fmt::format("the unknowns cannot be told apart at {} Hz in {:.3g} periods",
                               start_hz, start_hz * span_s));
  }
  weigh();
  const double squares_at_start = one.squares + two.squares;
  if (!std::isfinite(squares_at_start)) {
    return trouble(TroubleKind::bad_samples, "the record holds values that are not finite");
  }
  double step_rad_s = 0.0;
  bool settled = false;
  int steps = 0;
  while (!settled && steps < options.most_steps) {
    const double curvature = one.weight * one.pull.curvature + two.weight * two.pull.curvature;
    if (!(curvature > 0.0)) {
      return trouble(TroubleKind::no_tone, "nothing at the start frequency depends on it");
    }
    step_rad_s = (one.weight * one.pull.gradient + two.weight * two.pull.gradient) / curvature;
    frequency_hz += step_rad_s / two_pi;
    ++steps;
    if (!(std::abs(frequency_hz - start_hz) * span_s <= excursion_bins)) {
      return trouble(TroubleKind::not_converged,
                     fmt::format("step {} went to {} Hz, more than {} bins from the start {} Hz",
                                 steps, frequency_hz, excursion_bins, start_hz));
    }
    if (!solve(frequency_hz)) {
      return trouble(TroubleKind::out_of_band,
                     fmt::format("step {} went to {} Hz", steps, frequency_hz));
    }
    weigh();
    settled = std::abs(step_rad_s) * longest_s < options.stop_rad;
  }
  if (!(std::abs(frequency_hz - start_hz) * span_s <= options.basin_bins)) {
    return trouble(TroubleKind::not_converged,
                   fmt::format("settled at {} Hz, more than {} bins from the start {} Hz",
                               frequency_hz, options.basin_bins, start_hz));
  }
  // New weights may trade a little of one channel's residual for the other's.
  if (one.squares + two.squares >
      1.05 * squares_at_start + 1e-14 * (power_of(one) + power_of(two))) {
    return trouble(TroubleKind::not_converged,
                   fmt::format("the residual grew from {} to {} V^2", squares_at_start,
                               one.squares + two.squares));
  }
  one.make_exact();
  two.make_exact();
  const double curvature = one.weight * one.pull.curvature + two.weight * two.pull.curvature;
  const double uu_w = (one.weight * one.weight * one.variance * one.pull.curvature +
                       two.weight * two.weight * two.variance * two.pull.curvature) /
                      (curvature * curvature);
  TwoChannelFit fit = describe(one, two, frequency_hz, uu_w, options);
  if (!settled && std::abs(step_rad_s) / two_pi > 0.01 * fit.u_frequency_hz) {
    return trouble(TroubleKind::not_converged,
                   fmt::format("the last of {} steps was {} Hz, the uncertainty is {} Hz", steps,
                               step_rad_s / two_pi, fit.u_frequency_hz));
  }
  if (fit.periods < options.fewest_periods) {
    return trouble(TroubleKind::too_few_periods,
                   fmt::format("{:.3g} periods, {} needed", fit.periods, options.fewest_periods));
  }
  fit.steps = steps;
  return fit;
}

Expected<TwoChannelFit> two_channel_fit_at(const Trace& first, const Trace& second,
                                           double frequency_hz, const TwoChannelOptions& options) {
  const int harmonics = harmonics_in_band(first, second, frequency_hz, options.harmonics);
  for (const Trace* trace : {&first, &second}) {
    if (auto why = unusable(*trace, frequency_hz, harmonics)) {
      return std::unexpected(*std::move(why));
    }
  }
  Channel one(first, harmonics);
  Channel two(second, harmonics);
  for (Channel* channel : {&one, &two}) {
    if (!channel->system.solve(frequency_hz)) {
      return trouble(TroubleKind::too_few_periods,
                     fmt::format("the unknowns cannot be told apart at {} Hz in {:.3g} periods",
                                 frequency_hz, frequency_hz * channel->trace.span_s()));
    }
    channel->squares = channel->system.residual_squares();
    if (!std::isfinite(channel->squares)) {
      return trouble(TroubleKind::bad_samples, "the record holds values that are not finite");
    }
    channel->pull = channel->system.pull(channel->system.coefficients());
    channel->make_exact();
  }
  return describe(one, two, frequency_hz, 0.0, options);
}

void residual_volts(const Trace& trace, const TwoChannelFit& fit, const ChannelTone& tone,
                    std::size_t first, std::span<double> out) {
  const double earlier_s = trace.centre_s() - fit.at_s;
  std::vector<std::complex<double>> phasors = {tone.phasor_v * turn(fit.frequency_hz, earlier_s)};
  for (std::size_t k = 0; k < tone.harmonics_v.size(); ++k) {
    phasors.push_back(tone.harmonics_v[k] *
                      turn(fit.frequency_hz * static_cast<double>(k + 2), earlier_s));
  }
  subtract_model(trace, fit.frequency_hz * trace.dt_s, tone.offset_v, phasors, first, out);
}

}  // namespace nightbench::signal
