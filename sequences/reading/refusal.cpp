#include "sequences/reading/refusal.hpp"

#include <fmt/core.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <numbers>
#include <string>
#include <tuple>

#include "sequences/signal/sine_fit.hpp"

namespace nightbench::reading {
namespace {

using signal::ChannelTone;
using signal::Trace;
using signal::TwoChannelFit;

// The mean waveform over one period: samples and the fitted sine, averaged in bins of phase. Noise
// falls by the square root of the samples in a bin, and few phases in a coherent record are few in
// both.
struct Folded {
  std::vector<double> seen_v;
  std::vector<double> sine_v;
};

Folded fold(const Trace& trace, const signal::SineFit& sine, std::size_t bins) {
  Folded sums{std::vector<double>(bins), std::vector<double>(bins)};
  std::vector<double> count(bins);
  std::vector<double> volts(trace.size);
  signal::read_volts(trace, 0, volts, sine.offset_v);
  const double first = sine.phase_rad / (2.0 * std::numbers::pi);
  for (std::size_t n = 0; n < volts.size(); ++n) {
    const double cycles = sine.frequency_hz * trace.dt_s * static_cast<double>(n) + first;
    const double phase = cycles - std::floor(cycles);
    const std::size_t bin =
        std::min(bins - 1, static_cast<std::size_t>(phase * static_cast<double>(bins)));
    sums.seen_v[bin] += volts[n];
    sums.sine_v[bin] += sine.amplitude_v * std::cos(2.0 * std::numbers::pi * phase);
    count[bin] += 1.0;
  }
  Folded folded;
  for (std::size_t bin = 0; bin < bins; ++bin) {
    if (count[bin] == 0.0) continue;
    folded.seen_v.push_back(sums.seen_v[bin] / count[bin]);
    folded.sine_v.push_back(sums.sine_v[bin] / count[bin]);
  }
  return folded;
}

struct Share {
  std::size_t low = 0;  // values near the lowest
  std::size_t high = 0;
};

Share near_extremes(std::span<const double> volts, double band_v) {
  const auto [low, high] = std::minmax_element(volts.begin(), volts.end());
  Share share;
  for (double v : volts) {
    if (v <= *low + band_v) ++share.low;
    if (v >= *high - band_v) ++share.high;
  }
  return share;
}

double relative_spread(const std::vector<double>& values) {
  const auto [low, high] = std::minmax_element(values.begin(), values.end());
  return *low > 0.0 ? (*high - *low) / *low : 0.0;
}

}  // namespace

std::optional<NoReading> refuse_bad_samples(const Trace& trace, const char* channel) {
  const signal::Extremes seen = signal::extremes(trace);
  if (seen.first_bad >= trace.size) return std::nullopt;
  return NoReading{Reason::bad_samples, fmt::format("{}: sample {} of {} is not a finite number",
                                                    channel, seen.first_bad, trace.size)};
}

std::optional<NoReading> refuse_clipped_converter(const Trace& trace, const char* channel) {
  if (!trace.limits) return std::nullopt;
  const signal::Extremes seen = signal::extremes(trace);
  if (seen.at_lowest_limit + seen.at_highest_limit == 0) return std::nullopt;
  return NoReading{
      Reason::clipped,
      fmt::format("{}: {} samples at or below code {:g}, {} at or above code {:g}, the converter's "
                  "limits",
                  channel, seen.at_lowest_limit, trace.limits->lowest, seen.at_highest_limit,
                  trace.limits->highest)};
}

// The fitted sine, folded in the same way, is the yardstick.
std::optional<NoReading> refuse_clipped_device(const Trace& trace, double frequency_hz,
                                               const ChannelTone& tone, const RefusalLimits& limits,
                                               const char* channel) {
  double worst_dbc = -std::numeric_limits<double>::infinity();
  std::size_t worst = 0;
  for (std::size_t k = 0; k < std::min<std::size_t>(tone.harmonics_v.size(), 4); ++k) {
    const double size = std::abs(tone.harmonics_v[k]);
    if (size < 5.0 * tone.u_harmonic_v) continue;
    const double dbc = 20.0 * std::log10(size / tone.amplitude_v);
    if (dbc > worst_dbc) {
      worst_dbc = dbc;
      worst = k + 2;
    }
  }
  if (!(worst_dbc > limits.flat_harmonic_dbc)) return std::nullopt;

  const std::size_t points = std::min<std::size_t>(trace.size, 32768);
  const Trace some = signal::part(trace, (trace.size - points) / 2, points);
  const auto sine = signal::three_parameter_fit(some, frequency_hz);
  if (!sine) return std::nullopt;
  const std::size_t bins = std::clamp<std::size_t>(points / 16, 16, 128);
  const Folded folded = fold(some, *sine, bins);
  const double noise =
      tone.residual_std_v * std::sqrt(static_cast<double>(bins) / static_cast<double>(points));
  for (double relative : {0.003, 0.01, 0.02}) {
    const double band = std::max(relative * sine->amplitude_v, 4.0 * noise);
    const Share seen = near_extremes(folded.seen_v, band);
    const Share fair = near_extremes(folded.sine_v, band);
    const auto too_many = [&](std::size_t count, std::size_t expected) {
      return static_cast<double>(count) >
             limits.flat_share_ratio * static_cast<double>(expected) + 1.0;
    };
    const bool low = too_many(seen.low, fair.low);
    if (!low && !too_many(seen.high, fair.high)) continue;
    return NoReading{
        Reason::clipped,
        fmt::format("{}: {} of {} parts of the period lie within {:.3g} V of the {}, {} of a sine "
                    "do; harmonic {} at {:.1f} dBc: flat in the device",
                    channel, low ? seen.low : seen.high, folded.seen_v.size(), band,
                    low ? "lowest" : "highest", low ? fair.low : fair.high, worst, worst_dbc)};
  }
  return std::nullopt;
}

std::optional<NoReading> refuse_short(const Trace& trace, double frequency_hz,
                                      const RefusalLimits& limits) {
  if (trace.size < limits.fewest_points) {
    return NoReading{Reason::too_few_points,
                     fmt::format("{} points, {} needed", trace.size, limits.fewest_points)};
  }
  const double periods = frequency_hz * trace.span_s();
  if (periods < limits.fewest_periods) {
    return NoReading{Reason::too_few_periods,
                     fmt::format("{:.3g} periods of {:.6g} Hz in {:.4g} s, {:g} needed", periods,
                                 frequency_hz, trace.span_s(), limits.fewest_periods)};
  }
  const double a_period = 1.0 / (frequency_hz * trace.dt_s);
  if (a_period < limits.fewest_points_a_period) {
    return NoReading{Reason::too_few_points,
                     fmt::format("{:.3g} points a period of {:.6g} Hz, {:g} needed", a_period,
                                 frequency_hz, limits.fewest_points_a_period)};
  }
  return std::nullopt;
}

std::optional<NoReading> refuse_aliased(const Trace& trace, double measured_hz,
                                        std::optional<double> expected_hz,
                                        const RefusalLimits& limits) {
  const double rate_hz = 1.0 / trace.dt_s;
  const double highest_hz = limits.highest_over_rate * rate_hz;
  if (expected_hz && *expected_hz > highest_hz) {
    return NoReading{
        Reason::aliased,
        fmt::format("an IF of {:.6g} Hz needs more than {:.6g} samples/s; it would "
                    "show at {:.6g} Hz",
                    *expected_hz, rate_hz, signal::apparent_frequency_hz(*expected_hz, rate_hz))};
  }
  if (measured_hz > highest_hz) {
    return NoReading{Reason::aliased,
                     fmt::format("a line at {:.6g} Hz of {:.6g} samples/s is too near half of the "
                                 "rate to be told from its alias",
                                 measured_hz, rate_hz)};
  }
  return std::nullopt;
}

std::vector<double> alias_candidates_hz(double rate1_hz, double apparent1_hz, double rate2_hz,
                                        double apparent2_hz, double tolerance_hz,
                                        double highest_hz) {
  std::vector<double> found;
  const auto turns = static_cast<long>(std::ceil(highest_hz / rate1_hz)) + 1;
  for (long k = 0; k <= turns; ++k) {
    for (double side : {-1.0, 1.0}) {
      const double candidate = static_cast<double>(k) * rate1_hz + side * apparent1_hz;
      if (candidate < 0.0 || candidate > highest_hz) continue;
      const double shows = signal::apparent_frequency_hz(candidate, rate2_hz);
      if (std::abs(shows - apparent2_hz) <= tolerance_hz) found.push_back(candidate);
    }
  }
  std::sort(found.begin(), found.end());
  found.erase(std::unique(found.begin(), found.end()), found.end());
  return found;
}

std::optional<NoReading> refuse_aliased_pair(double rate1_hz, double apparent1_hz, double rate2_hz,
                                             double apparent2_hz, double u_hz, double highest_hz) {
  if (std::abs(apparent1_hz - apparent2_hz) <= 3.0 * u_hz) return std::nullopt;
  std::string list;
  for (double candidate : alias_candidates_hz(rate1_hz, apparent1_hz, rate2_hz, apparent2_hz,
                                              std::max(3.0 * u_hz, 1e-9 * rate1_hz), highest_hz)) {
    list += fmt::format("{}{:.6g}", list.empty() ? "" : ", ", candidate);
  }
  return NoReading{Reason::aliased,
                   fmt::format("{:.6g} Hz at {:.6g} samples/s, {:.6g} Hz at {:.6g}: not the same "
                               "line; fits both: {} Hz",
                               apparent1_hz, rate1_hz, apparent2_hz, rate2_hz,
                               list.empty() ? std::string("none") : list)};
}

std::optional<NoReading> refuse_unlocked(double measured_hz, double expected_hz, double u_hz,
                                         const RefusalLimits& limits) {
  const double allowed = std::max(limits.unlocked_budget_k * u_hz, limits.unlocked_floor_hz);
  if (std::abs(measured_hz - expected_hz) <= allowed) return std::nullopt;
  return NoReading{Reason::unlocked,
                   fmt::format("IF {:.8g} Hz, |RF - LO| {:.8g} Hz: apart by {:.4g} Hz, {:.4g} Hz "
                               "allowed",
                               measured_hz, expected_hz, measured_hz - expected_hz, allowed)};
}

std::optional<NoReading> refuse_not_following(double step_hz, double moved_hz, double u_hz,
                                              const RefusalLimits& limits) {
  const double allowed = std::max(limits.unlocked_budget_k * u_hz, limits.unlocked_floor_hz);
  if (std::abs(moved_hz - step_hz) <= allowed) return std::nullopt;
  return NoReading{Reason::unlocked,
                   fmt::format("the RF was stepped by {:.8g} Hz and the IF moved by {:.8g} Hz",
                               step_hz, moved_hz)};
}

std::optional<NoReading> refuse_not_a_tone(const ChannelTone& tone, const RefusalLimits& limits,
                                           const char* channel) {
  const double sinad = signal::distortion(tone).sinad_db;
  if (!(sinad < limits.least_sinad_db)) return std::nullopt;
  return NoReading{Reason::not_a_tone, fmt::format("{}: SINAD {:.1f} dB, {:g} dB needed", channel,
                                                   sinad, limits.least_sinad_db)};
}

std::optional<NoReading> refuse_interfered(const ChannelTone& tone,
                                           const signal::Line& largest_other,
                                           const RefusalLimits& limits, const char* channel) {
  if (!(largest_other.amplitude_v > 0.0)) return std::nullopt;
  const double below_db = 20.0 * std::log10(tone.amplitude_v / largest_other.amplitude_v);
  if (below_db >= limits.interference_db) return std::nullopt;
  return NoReading{
      Reason::interfered,
      fmt::format("{}: another line at {:.6g} Hz, {:.1f} dB below the wanted one, "
                  "{:g} dB needed",
                  channel, largest_other.frequency_hz, below_db, limits.interference_db)};
}

std::optional<NoReading> refuse_drifting(const Trace& i, const Trace& q, const TwoChannelFit& whole,
                                         const RefusalLimits& limits) {
  const double f = whole.frequency_hz;
  const bool i_lives = whole.first.amplitude_v > limits.silent_below_v;
  const bool q_lives = whole.second.amplitude_v > limits.silent_below_v;
  signal::TwoChannelOptions options;
  options.harmonics = static_cast<int>(whole.first.harmonics_v.size()) + 1;

  if (whole.periods >= 4.0) {
    const auto early = signal::two_channel_fit(signal::part(i, 0, i.size / 2),
                                               signal::part(q, 0, q.size / 2), f, options);
    const auto late = signal::two_channel_fit(signal::part(i, i.size / 2, i.size),
                                              signal::part(q, q.size / 2, q.size), f, options);
    if (!early || !late) {
      const auto& failed = !early ? early : late;
      return NoReading{Reason::drifting, fmt::format("half of the record does not hold {:.6g} Hz: "
                                                     "{}",
                                                     f, failed.error().detail)};
    }
    const double moved = late->frequency_hz - early->frequency_hz;
    const double u = std::hypot(early->u_frequency_hz, late->u_frequency_hz);
    if (std::abs(moved) > limits.drift_k * u && std::abs(moved) > limits.drift_floor_rel * f) {
      return NoReading{Reason::drifting,
                       fmt::format("the second half lies {:.4g} Hz from the first, {:.2g} Hz is "
                                   "its uncertainty",
                                   moved, u)};
    }
  }
  if (whole.periods < 5.0) return std::nullopt;
  std::vector<double> i_amplitudes;
  std::vector<double> q_amplitudes;
  double i_u = 0.0;
  double q_u = 0.0;
  for (std::size_t n = 0; n < 4; ++n) {
    const auto quarter =
        signal::two_channel_fit_at(signal::part(i, n * (i.size / 4), i.size / 4),
                                   signal::part(q, n * (q.size / 4), q.size / 4), f, options);
    if (!quarter) return std::nullopt;  // too short to say
    i_amplitudes.push_back(quarter->first.amplitude_v);
    q_amplitudes.push_back(quarter->second.amplitude_v);
    i_u = std::max(i_u, quarter->first.u_amplitude_v / quarter->first.amplitude_v);
    q_u = std::max(q_u, quarter->second.u_amplitude_v / quarter->second.amplitude_v);
  }
  const double noise_k = 6.0;  // of a spread of four values
  for (const auto& [lives, amplitudes, u, channel] :
       {std::tuple(i_lives, &i_amplitudes, i_u, "I"),
        std::tuple(q_lives, &q_amplitudes, q_u, "Q")}) {
    const double spread = relative_spread(*amplitudes);
    if (!lives || spread <= limits.quarter_spread || spread <= noise_k * u) continue;
    return NoReading{
        Reason::drifting,
        fmt::format("{}: amplitude of the four quarters {:.5g}, {:.5g}, {:.5g}, {:.5g} "
                    "V spreads by {:.2f} %",
                    channel, (*amplitudes)[0], (*amplitudes)[1], (*amplitudes)[2], (*amplitudes)[3],
                    100.0 * spread)};
  }
  return std::nullopt;
}

std::optional<NoReading> refuse_channels_disagree(const Trace& i, const Trace& q,
                                                  const TwoChannelFit& both,
                                                  const RefusalLimits& limits) {
  const auto one = signal::four_parameter_fit(i, both.frequency_hz);
  const auto two = signal::four_parameter_fit(q, both.frequency_hz);
  if (!one || !two) {
    const auto& failed = !one ? one : two;
    return NoReading{Reason::channels_disagree,
                     fmt::format("{} alone does not hold {:.6g} Hz: {}", !one ? "I" : "Q",
                                 both.frequency_hz, failed.error().detail)};
  }
  return refuse_apart(*one, *two, limits);
}

std::optional<NoReading> refuse_apart(const signal::SineFit& i, const signal::SineFit& q,
                                      const RefusalLimits& limits) {
  const double apart = std::abs(q.frequency_hz - i.frequency_hz);
  const double u = std::hypot(i.u_frequency_hz, q.u_frequency_hz);
  if (apart <= limits.channels_frequency_k * u ||
      apart <= limits.drift_floor_rel * i.frequency_hz) {
    return std::nullopt;
  }
  return NoReading{
      Reason::channels_disagree,
      fmt::format("I alone gives {:.8g} Hz, Q alone {:.8g} Hz: apart by {:.3g} Hz with "
                  "u = {:.2g} Hz",
                  i.frequency_hz, q.frequency_hz, apart, u)};
}

}  // namespace nightbench::reading
