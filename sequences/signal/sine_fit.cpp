#include "sequences/signal/sine_fit.hpp"

#include <fmt/core.h>

#include <algorithm>
#include <cmath>
#include <numbers>

#include "sequences/signal/channel_system.hpp"

namespace nightbench::signal {
namespace {

constexpr double two_pi = 2.0 * std::numbers::pi;
constexpr double excursion_bins = 3.0;  // a single step may leave the main lobe and come back
constexpr double rounding = 1e-14;      // of the sum of squares, in a residual's sum of squares

std::unexpected<Trouble> trouble(TroubleKind kind, std::string detail) {
  return std::unexpected(Trouble{kind, std::move(detail)});
}

std::optional<Trouble> unusable(const Trace& trace, double frequency_hz, std::size_t unknowns) {
  if (!(trace.dt_s > 0.0) || !std::isfinite(trace.dt_s) || !std::isfinite(frequency_hz)) {
    return Trouble{TroubleKind::bad_arguments,
                   fmt::format("sample interval {} s, frequency {} Hz", trace.dt_s, frequency_hz)};
  }
  if (trace.size <= unknowns) {
    return Trouble{TroubleKind::too_few_points,
                   fmt::format("{} points for {} unknowns", trace.size, unknowns)};
  }
  if (!(frequency_hz > 0.0) || frequency_hz * trace.dt_s >= 0.5) {
    return Trouble{TroubleKind::out_of_band,
                   fmt::format("{} Hz is not inside 0 .. {} Hz", frequency_hz, 0.5 / trace.dt_s)};
  }
  return std::nullopt;
}

Trouble singular(double frequency_hz, double periods) {
  return {TroubleKind::too_few_periods,
          fmt::format("offset, cosine and sine cannot be told apart at {} Hz in {:.3g} periods",
                      frequency_hz, periods)};
}

// The standards' recursion re-solves A, B and C together with the step and keeps the phase at the
// first sample while the frequency moves. In phasors at the middle, h seconds later: the solution X
// with the derivative about the middle becomes (X - j dw h X_before) exp(j dw h).
std::vector<double> next_coefficients(const ChannelSystem& system, const std::vector<double>& x,
                                      double step_rad_s, double half_s) {
  const std::vector<double>& solved = system.coefficients();
  const std::vector<double>& g = system.drift();
  const std::complex<double> before(x[0], -x[1]);
  const std::complex<double> joint(solved[0] - g[0] * step_rad_s, -(solved[1] - g[1] * step_rad_s));
  const double angle = step_rad_s * half_s;
  const std::complex<double> next =
      (joint - std::complex(0.0, angle) * before) * std::polar(1.0, angle);
  return {next.real(), -next.imag(), solved[2] - g[2] * step_rad_s};
}

SineFit describe(const Trace& trace, const ChannelSystem& system, double frequency_hz,
                 std::size_t parameters, double curvature, const FitOptions& options) {
  SineFit fit;
  fit.frequency_hz = frequency_hz;
  fit.points = trace.size;
  fit.periods = frequency_hz * trace.span_s();
  const double a = system.coefficients()[0];
  const double b = system.coefficients()[1];
  fit.amplitude_v = std::hypot(a, b);
  fit.offset_v = system.offset_v();
  const double squares =
      system.residual_is_coarse() ? system.exact_residual_squares() : system.residual_squares();
  const auto n = static_cast<double>(trace.size);
  fit.residual_rms_v = std::sqrt(squares / n);
  const double variance = squares / (n - static_cast<double>(parameters));
  fit.residual_std_v = std::sqrt(variance);

  fit.at_s = options.phase_at_s.value_or(trace.t0_s);
  const double later_s = fit.at_s - trace.centre_s();
  const std::complex<double> phasor = std::complex(a, -b) * turn(frequency_hz, later_s);
  fit.cos_v = phasor.real();
  fit.sin_v = -phasor.imag();
  fit.phase_rad = std::arg(phasor);

  // x moves by -g for each rad/s that w is off; noise and frequency error are uncorrelated.
  const double uu_w = curvature > 0.0 ? variance / curvature : 0.0;
  const std::vector<double>& g = system.drift();
  const auto spread = [&](double ca, double cb, double cc, double by_w) {
    const double from_noise =
        ca * ca * system.inverse(0, 0) + cb * cb * system.inverse(1, 1) +
        cc * cc * system.inverse(2, 2) +
        2.0 * (ca * cb * system.inverse(0, 1) + ca * cc * system.inverse(0, 2) +
               cb * cc * system.inverse(1, 2));
    double along = by_w;
    if (uu_w > 0.0) along -= ca * g[0] + cb * g[1] + cc * g[2];
    return std::sqrt(variance * from_noise + along * along * uu_w);
  };
  const double size = std::max(fit.amplitude_v, 1e-300);
  fit.u_frequency_hz = std::sqrt(uu_w) / two_pi;
  fit.u_amplitude_v = spread(a / size, b / size, 0.0, 0.0);
  fit.u_phase_rad = spread(b / size / size, -a / size / size, 0.0, later_s);
  fit.u_offset_v = spread(0.0, 0.0, 1.0, 0.0);
  return fit;
}

}  // namespace

Expected<SineFit> three_parameter_fit(const Trace& trace, double frequency_hz,
                                      const FitOptions& options) {
  if (auto why = unusable(trace, frequency_hz, 3)) return std::unexpected(*std::move(why));
  ChannelSystem system(trace, 1);
  if (!system.solve(frequency_hz)) {
    return std::unexpected(singular(frequency_hz, frequency_hz * trace.span_s()));
  }
  if (!std::isfinite(system.residual_squares())) {
    return trouble(TroubleKind::bad_samples, "the record holds values that are not finite");
  }
  return describe(trace, system, frequency_hz, 3, 0.0, options);
}

Expected<SineFit> four_parameter_fit(const Trace& trace, double start_hz,
                                     const FitOptions& options) {
  if (auto why = unusable(trace, start_hz, 4)) return std::unexpected(*std::move(why));
  const double span_s = trace.span_s();
  ChannelSystem system(trace, 1);
  double frequency_hz = start_hz;
  if (!system.solve(frequency_hz)) {
    return std::unexpected(singular(frequency_hz, frequency_hz * span_s));
  }
  const double squares_at_start = system.residual_squares();
  if (!std::isfinite(squares_at_start)) {
    return trouble(TroubleKind::bad_samples, "the record holds values that are not finite");
  }

  std::vector<double> iterates = {start_hz};
  std::vector<double> x = system.coefficients();
  double step_rad_s = 0.0;
  bool settled = false;
  int steps = 0;
  while (!settled && steps < options.most_steps) {
    const Pull pull = system.pull(x);
    if (!(pull.curvature > 0.0)) {
      return trouble(TroubleKind::no_tone, "nothing at the start frequency depends on it");
    }
    step_rad_s = pull.gradient / pull.curvature;
    x = next_coefficients(system, x, step_rad_s, 0.5 * (trace.end_s() - trace.t0_s));
    frequency_hz += step_rad_s / two_pi;
    ++steps;
    iterates.push_back(frequency_hz);
    if (!(std::abs(frequency_hz - start_hz) * span_s <= excursion_bins)) {
      return trouble(TroubleKind::not_converged,
                     fmt::format("step {} went to {} Hz, more than {} bins from the start {} Hz",
                                 steps, frequency_hz, excursion_bins, start_hz));
    }
    if (!(frequency_hz > 0.0) || frequency_hz * trace.dt_s >= 0.5 || !system.solve(frequency_hz)) {
      return trouble(TroubleKind::out_of_band,
                     fmt::format("step {} went to {} Hz", steps, frequency_hz));
    }
    settled = std::abs(step_rad_s) * span_s < options.stop_rad;
  }
  const Pull pull = system.pull(system.coefficients());
  if (!(std::abs(frequency_hz - start_hz) * span_s <= options.basin_bins)) {
    return trouble(TroubleKind::not_converged,
                   fmt::format("settled at {} Hz, more than {} bins from the start {} Hz",
                               frequency_hz, options.basin_bins, start_hz));
  }
  if (system.residual_squares() >
      squares_at_start * (1.0 + 1e-9) + rounding * system.sum_of_squares()) {
    return trouble(TroubleKind::not_converged,
                   fmt::format("the residual grew from {} to {} V^2", squares_at_start,
                               system.residual_squares()));
  }
  SineFit fit = describe(trace, system, frequency_hz, 4, pull.curvature, options);
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
  fit.iterates_hz = std::move(iterates);
  return fit;
}

}  // namespace nightbench::signal
