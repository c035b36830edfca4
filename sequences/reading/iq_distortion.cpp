#include <fmt/core.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <numbers>

#include "sequences/reading/iq_parts.hpp"

namespace nightbench::reading {
namespace {

constexpr double db_per_neper = 20.0 / std::numbers::ln10;

// Probability that noncentral chi-square with `dof` degrees stays below x (Sankaran's cube-root
// like transform, Biometrika 50, 1963, from memory; checked against simulation in the tests).
double noncentral_probability(double x, double dof, double lambda) {
  const double sum = dof + lambda;
  const double h = 1.0 - 2.0 / 3.0 * sum * (dof + 3.0 * lambda) / std::pow(dof + 2.0 * lambda, 2);
  const double p = (dof + 2.0 * lambda) / (sum * sum);
  const double m = (h - 1.0) * (1.0 - 3.0 * h);
  const double centre = 1.0 + h * p * (h - 1.0 - 0.5 * (2.0 - h) * m * p);
  const double width = h * std::sqrt(2.0 * p) * (1.0 + 0.5 * m * p);
  return normal_probability((std::pow(x / sum, h) - centre) / width);
}

// Total harmonic power that a measured one, in units of the variance of a part, does not
// contradict: both tails 2.275 %.
Interval power_interval(double x, double dof) {
  constexpr double tail = 0.02275;
  const auto solve = [&](double probability) {
    double low = 0.0;
    double high = x + 10.0 * std::sqrt(x + dof) + 20.0;
    for (int step = 0; step < 80; ++step) {
      const double middle = 0.5 * (low + high);
      (noncentral_probability(x, dof, middle) > probability ? low : high) = middle;
    }
    return 0.5 * (low + high);
  };
  Interval interval;
  interval.low = noncentral_probability(x, dof, 0.0) <= 1.0 - tail ? 0.0 : solve(1.0 - tail);
  // A power far below what noise alone gives says nothing new: never bound below noise's median.
  interval.high = solve(tail);
  if (noncentral_probability(x, dof, 0.0) < 0.5) {
    interval.high = std::max(interval.high, dof);
  }
  return interval;
}

// Takes the bins within `reach` bins of a frequency out of a spectrum.
void blank(signal::Density& spectrum, double frequency_hz, double reach) {
  const double at = frequency_hz / spectrum.bin_hz;
  for (double bin = std::ceil(at - reach); bin <= at + reach; bin += 1.0) {
    if (bin < 0.0 || bin >= static_cast<double>(spectrum.v2_per_hz.size())) continue;
    spectrum.v2_per_hz[static_cast<std::size_t>(bin)] = 0.0;
  }
}

}  // namespace

DistortionOutcomes distortion_of(const Side& side, const IqContext& context, char letter) {
  DistortionOutcomes out;
  auto& [thd, sinad, bits, noise] = out;
  if (side.dead) {
    for (Outcome* outcome : {&thd, &sinad, &bits}) *outcome = std::unexpected(silent(side));
  }
  const signal::ChannelTone& tone = *side.tone;
  const double a = tone.amplitude_v;
  const auto count = static_cast<double>(tone.harmonics_v.size());
  const auto freedom = static_cast<double>(tone.points - tone.parameters);
  double harmonics = 0.0;  // sum of squares
  for (const std::complex<double>& harmonic : tone.harmonics_v) harmonics += std::norm(harmonic);
  const double u_part = tone.u_harmonic_v;

  const double u_noise = side.noise_bins > 0 ? 0.85 / std::sqrt(double(side.noise_bins)) : 0.0;
  if (side.noise_bins > 0) {
    Budget budget;
    const double density = std::sqrt(side.noise_v2_hz);
    budget.add_a("scatter of the bins", density * u_noise);
    budget.add_b("scope gain", density * context.u_gain_rel, Distribution::rectangular);
    noise =
        make_reading(fmt::format("noise_{}_v_rthz", letter), density, "V/rtHz", std::move(budget));
  } else {
    noise = no_reading(Reason::too_few_points, "too few bins beside the lines");
  }
  if (side.dead) return out;

  // SINAD: noise and distortion; both from this record. Noise adds its own power to every harmonic.
  const double net = std::max(0.0, harmonics - 2.0 * count * u_part * u_part);
  const double power = tone.residual_std_v * tone.residual_std_v + 0.5 * net;
  const double u_power =
      std::hypot(tone.residual_std_v * tone.residual_std_v * std::sqrt(2.0 / freedom),
                 std::sqrt(harmonics) * u_part);
  const double sinad_db = signal::sinad_db(a, std::sqrt(power));
  const double u_db = 0.5 * db_per_neper * u_power / power;
  if (power > 0.0) {
    Budget budget;
    budget.add_a("noise", u_db);
    sinad = make_reading(fmt::format("sinad_{}_db", letter), sinad_db, "dB", budget);
    if (context.full_scale_v) {
      Budget in_bits;
      in_bits.add_a("noise", u_db / (20.0 * std::log10(2.0)));
      bits = make_reading(fmt::format("enob_{}", letter),
                          signal::enob_from_sinad(sinad_db, *context.full_scale_v, a), "bit",
                          std::move(in_bits));
    } else {
      bits = no_reading(Reason::not_measured, "the scope's full scale is not given");
    }
  } else {
    sinad = no_reading(Reason::not_measured, "the residual is 0");
    bits = sinad;
  }

  if (tone.harmonics_v.empty() || !(u_part > 0.0) || !(harmonics > 0.0)) {
    thd = no_reading(Reason::not_measured, "no harmonic lies in the band");
    return out;
  }
  const Interval lambda = power_interval(harmonics / (u_part * u_part), 2.0 * count);
  const double low_db = lambda.low > 0.0 ? 10.0 * std::log10(lambda.low * u_part * u_part / (a * a))
                                         : -std::numeric_limits<double>::infinity();
  const double high_db = 10.0 * std::log10(lambda.high * u_part * u_part / (a * a));
  Reading reading;
  reading.quantity = fmt::format("thd_{}_db", letter);
  reading.unit = "dB";
  reading.value = net > 0.0 && lambda.low > 0.0 ? 10.0 * std::log10(net / (a * a)) : high_db;
  reading.interval = Interval{low_db, high_db};
  reading.U = std::max(high_db - reading.value, reading.value - low_db);
  reading.notes.push_back(fmt::format("harmonics 2 .. {}", tone.harmonics_v.size() + 1));
  if (!std::isfinite(low_db)) reading.notes.push_back("not told from noise: an upper bound");
  thd = std::move(reading);
  return out;
}

void look_at_residual(const signal::TwoChannelFit& fit, Side& side) {
  const signal::Trace& trace = *side.trace;
  const std::size_t points = std::min<std::size_t>(trace.size, 32768);
  std::vector<double> rest(points);
  signal::residual_volts(trace, fit, *side.tone, (trace.size - points) / 2, rest);
  signal::Density spectrum = signal::density(rest, trace.dt_s, signal::Window::hann);
  const double top_hz = 0.5 / trace.dt_s;
  const double f = fit.frequency_hz;
  const double f_bins = f / spectrum.bin_hz;

  // Loudness at the tone: bins 3 .. 24 away on both sides.
  double near = 0.0;
  std::size_t count = 0;
  for (std::size_t k = 2; k < spectrum.v2_per_hz.size(); ++k) {
    const double away = std::abs(static_cast<double>(k) - f_bins);
    if (away < 3.0 || away > 24.0) continue;
    near += spectrum.v2_per_hz[k];
    ++count;
  }
  const double white = 2.0 * side.tone->residual_std_v * side.tone->residual_std_v * trace.dt_s;
  constexpr double clearly = 1.6;  // more than three standard deviations of a mean of 44 bins
  if (count >= 20 && white > 0.0 && near / static_cast<double>(count) > clearly * white) {
    side.widen = std::sqrt(near / static_cast<double>(count) / white);
  }

  // The fit took its own share of noise out of the bins of its harmonics: they do not count as
  // noise. Harmonics beyond (also folded ones) and mains are no strangers.
  const int fitted = static_cast<int>(side.tone->harmonics_v.size()) + 1;
  signal::Density noise = spectrum;
  for (int k = 1; k <= fitted; ++k) blank(noise, k * f, 1.5);
  side.noise_v2_hz = signal::noise_density(noise, 0.0, top_hz);
  side.noise_bins = signal::counted_bins(noise, 0.0, top_hz);
  if (side.noise_bins < 16) side.noise_bins = 0;

  constexpr double mains_below_hz = 130.0;
  for (int k = fitted + 1; k <= 20; ++k) {
    blank(spectrum, signal::apparent_frequency_hz(k * f, 1.0 / trace.dt_s), 2.0);
  }
  side.largest_other = signal::largest_line(spectrum, mains_below_hz, top_hz);
}

}  // namespace nightbench::reading
