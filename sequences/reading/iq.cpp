#include "sequences/reading/iq.hpp"

#include <fmt/core.h>

#include <algorithm>
#include <cmath>
#include <numbers>
#include <type_traits>

#include "sequences/reading/iq_parts.hpp"
#include "sequences/signal/tone.hpp"

namespace nightbench::reading {
namespace {

using signal::Trace;

struct Named {
  std::string_view name;
  Outcome IqResult::* member;
};

constexpr std::array<Named, 23> all_quantities = {{
    {"if_hz", &IqResult::if_hz},
    {"signed_if_hz", &IqResult::signed_if_hz},
    {"if_error_hz", &IqResult::if_error_hz},
    {"i_amplitude_v", &IqResult::i_amplitude_v},
    {"q_amplitude_v", &IqResult::q_amplitude_v},
    {"i_offset_v", &IqResult::i_offset_v},
    {"q_offset_v", &IqResult::q_offset_v},
    {"gain_balance_db", &IqResult::gain_balance_db},
    {"q_minus_i_deg", &IqResult::q_minus_i_deg},
    {"phase_error_deg", &IqResult::phase_error_deg},
    {"image_rejection_db", &IqResult::image_rejection_db},
    {"image_rejection_spectrum_db", &IqResult::image_rejection_spectrum_db},
    {"conversion_gain_db", &IqResult::conversion_gain_db},
    {"conversion_gain_i_db", &IqResult::conversion_gain_i_db},
    {"conversion_gain_q_db", &IqResult::conversion_gain_q_db},
    {"thd_i_db", &IqResult::thd_i_db},
    {"thd_q_db", &IqResult::thd_q_db},
    {"sinad_i_db", &IqResult::sinad_i_db},
    {"sinad_q_db", &IqResult::sinad_q_db},
    {"enob_i", &IqResult::enob_i},
    {"enob_q", &IqResult::enob_q},
    {"noise_i_v_rthz", &IqResult::noise_i_v_rthz},
    {"noise_q_v_rthz", &IqResult::noise_q_v_rthz},
}};

// Every quantity but the offsets, which are real readings also without a tone.
IqResult refused(NoReading why, bool keep_offsets, IqResult result = {}) {
  for (const Named& named : all_quantities) {
    const bool offset =
        named.member == &IqResult::i_offset_v || named.member == &IqResult::q_offset_v;
    if (!(offset && keep_offsets)) result.*named.member = std::unexpected(why);
  }
  result.refused = std::move(why);
  return result;
}

double lsb_v(const Trace& trace) {
  const bool integers = std::visit(
      [](auto* codes) { return std::is_integral_v<std::remove_cvref_t<decltype(*codes)>>; },
      trace.codes);
  return integers || trace.limits ? std::abs(trace.volts_per_code) : 0.0;
}

// First refusal of a list of thunks.
template <typename... Checks>
std::optional<NoReading> first_of(Checks... checks) {
  std::optional<NoReading> found;
  ((found ? void() : void(found = checks())), ...);
  return found;
}

std::optional<NoReading> refuse_before_fit(const Trace& i, const Trace& q,
                                           std::optional<double> expected_hz,
                                           const RefusalLimits& limits) {
  for (const auto& [trace, channel] : {std::pair(&i, "I"), std::pair(&q, "Q")}) {
    if (trace->size < limits.fewest_points || !(trace->dt_s > 0.0)) {
      return NoReading{Reason::too_few_points, fmt::format("{}: {} points, {} needed", channel,
                                                           trace->size, limits.fewest_points)};
    }
    if (auto why = refuse_bad_samples(*trace, channel)) return why;
    if (auto why = refuse_clipped_converter(*trace, channel)) return why;
    if (!expected_hz) continue;
    if (auto why = refuse_aliased(*trace, 0.0, expected_hz, limits)) return why;
    if (auto why = refuse_short(*trace, *expected_hz, limits)) return why;
  }
  return std::nullopt;
}

// The tone with its harmonics.
signal::Expected<signal::TwoChannelFit> fit_capture(const Trace& i, const Trace& q,
                                                    const IqContext& context) {
  signal::StartOptions start;
  start.false_alarm = context.limits.false_alarm;
  start.margin_db = context.limits.detection_margin_db;
  signal::TwoChannelOptions options;
  options.harmonics = context.harmonics;
  return signal::find_and_fit(i, q, start, options);
}

bool is_dead(const Trace& trace, const signal::ChannelTone& tone, const RefusalLimits& limits) {
  const double least = std::max(limits.silent_below_v, limits.fewest_lsb * lsb_v(trace));
  return tone.amplitude_v < least || tone.amplitude_v < 4.0 * tone.u_amplitude_v;
}

std::string silence(const Trace& trace, const signal::ChannelTone& tone, const char* channel,
                    const RefusalLimits& limits) {
  return fmt::format("{}: amplitude {:.3g} V, {:.3g} V and five codes of {:.3g} V needed", channel,
                     tone.amplitude_v, limits.silent_below_v, lsb_v(trace));
}

// A record whose strongest content is slow drift or noise: empty when both channels are silent
// where the tone should be.
std::optional<NoReading> nothing_at(const Trace& i, const Trace& q,
                                    std::optional<double> expected_hz,
                                    const RefusalLimits& limits) {
  if (!expected_hz) return std::nullopt;
  const auto fit = signal::two_channel_fit_at(i, q, *expected_hz);
  if (!fit || !is_dead(i, fit->first, limits) || !is_dead(q, fit->second, limits)) {
    return std::nullopt;
  }
  return NoReading{Reason::empty, fmt::format("{}; {}", silence(i, fit->first, "I", limits),
                                              silence(q, fit->second, "Q", limits))};
}

// Why a common fit found no common frequency: each channel has its own.
std::optional<NoReading> frequencies_apart(const Trace& i, const Trace& q,
                                           const RefusalLimits& limits) {
  const auto one = signal::find_and_fit(i);
  const auto two = signal::find_and_fit(q);
  if (!one || !two) return std::nullopt;
  return refuse_apart(*one, *two, limits);
}

// Amplitude error of a memoryless converter without enough noise to spread it, relative: the sum
// of (2 / pi m) J1(2 pi m A), A in codes, has an rms of 0.157 / sqrt A codes; noise of s codes
// lowers it by exp(-2 pi^2 s^2) (Widrow, Kollar, Liu, IEEE TIM 45, 1996, for the model).
double quantisation_u(const Trace& trace, const signal::ChannelTone& tone) {
  const double lsb = lsb_v(trace);
  if (!(lsb > 0.0) || !(tone.amplitude_v > 0.0)) return 0.0;
  const double codes = tone.amplitude_v / lsb;
  const double residual = tone.residual_std_v / lsb;
  const double analogue = std::max(0.0, residual * residual - 1.0 / 12.0);
  const double pi2 = std::numbers::pi * std::numbers::pi;
  return 0.157 * std::pow(codes, -1.5) * std::exp(-2.0 * pi2 * analogue);
}

Side look_at(const Trace& trace, const signal::TwoChannelFit& fit, const signal::ChannelTone& tone,
             const char* channel, const RefusalLimits& limits) {
  Side side;
  side.trace = &trace;
  side.tone = &tone;
  side.name = channel;
  side.dead = is_dead(trace, tone, limits);
  side.u_quantisation = quantisation_u(trace, tone);
  look_at_residual(fit, side);
  return side;
}

std::optional<NoReading> refuse_side(const Side& side, double frequency_hz,
                                     const RefusalLimits& limits) {
  if (side.dead) return std::nullopt;
  return first_of(
      [&] {
        return refuse_clipped_device(*side.trace, frequency_hz, *side.tone, limits, side.name);
      },
      [&] { return refuse_interfered(*side.tone, side.largest_other, limits, side.name); },
      [&] { return refuse_not_a_tone(*side.tone, limits, side.name); });
}

std::optional<NoReading> refuse_after_fit(const Capture& capture, const RefusalLimits& limits) {
  const signal::TwoChannelFit& fit = *capture.fit;
  const double f = fit.frequency_hz;
  const Trace& i = *capture.i.trace;
  const Trace& q = *capture.q.trace;
  const double u_if =
      std::hypot(fit.u_frequency_hz, f * capture.context->u_time_base_rel, capture.u_expected_hz);
  return first_of([&] { return refuse_aliased(i, f, std::nullopt, limits); },
                  [&] { return refuse_aliased(q, f, std::nullopt, limits); },
                  [&] { return refuse_short(i, f, limits); },
                  [&] { return refuse_short(q, f, limits); },
                  [&] { return refuse_side(capture.i, f, limits); },
                  [&] { return refuse_side(capture.q, f, limits); },
                  [&]() -> std::optional<NoReading> {
                    if (!capture.expected_if_hz) return std::nullopt;
                    return refuse_unlocked(f, *capture.expected_if_hz, u_if, limits);
                  },
                  [&] { return refuse_drifting(i, q, fit, limits); },
                  [&]() -> std::optional<NoReading> {
                    if (capture.i.dead || capture.q.dead) return std::nullopt;
                    return refuse_channels_disagree(i, q, fit, limits);
                  });
}

}  // namespace

const char* name(FindingKind kind) {
  switch (kind) {
    case FindingKind::channel_dead:
      return "channel-dead";
    case FindingKind::rejections_disagree:
      return "rejections-disagree";
    case FindingKind::amplitudes_far_apart:
      return "amplitudes-far-apart";
    case FindingKind::not_quadrature:
      return "not-quadrature";
    case FindingKind::sense_reversed:
      return "sense-reversed";
    case FindingKind::coloured_noise:
      return "coloured-noise";
    case FindingKind::match_missing:
      return "match-missing";
  }
  return "unknown";
}

IqResult measure_iq(const Trace& i, const Trace& q, const IqContext& context) {
  const RefusalLimits& limits = context.limits;
  Capture capture;
  capture.context = &context;
  if (context.rf_hz > 0.0 && context.lo_hz > 0.0) {
    capture.expected_if_hz = std::abs(context.rf_hz - context.lo_hz);
    capture.u_expected_hz = context.common_reference
                                ? *capture.expected_if_hz * context.u_source_frequency_rel
                                : std::hypot(context.rf_hz * context.u_source_frequency_rel,
                                             context.lo_hz * context.u_lo_frequency_rel);
  }
  if (auto why = refuse_before_fit(i, q, capture.expected_if_hz, limits)) {
    return refused(*std::move(why), false);
  }

  IqResult result;
  const auto offsets_only = [&](NoReading why) {
    result.i_offset_v = mean_of_trace(i, context, "i_offset_v");
    result.q_offset_v = mean_of_trace(q, context, "q_offset_v");
    return refused(std::move(why), true, std::move(result));
  };
  auto fit = fit_capture(i, q, context);
  if (!fit) {
    NoReading why = from(fit.error());
    if (auto nothing = nothing_at(i, q, capture.expected_if_hz, limits)) {
      nothing->detail += "; " + why.detail;
      why = *std::move(nothing);
    }
    if (why.reason == Reason::empty) return offsets_only(std::move(why));
    if (auto apart = frequencies_apart(i, q, limits)) why = *std::move(apart);
    return refused(std::move(why), false);
  }
  result.fit = *std::move(fit);
  capture.fit = &*result.fit;
  capture.i = look_at(i, *result.fit, result.fit->first, "I", limits);
  capture.q = look_at(q, *result.fit, result.fit->second, "Q", limits);

  const bool both_dead = capture.i.dead && capture.q.dead;
  const bool one_dead = capture.i.dead != capture.q.dead;
  if (both_dead || (one_dead && context.dead_channel == DeadChannelPolicy::refuse)) {
    const Side& silent = capture.i.dead ? capture.i : capture.q;
    return offsets_only({Reason::empty, silence(*silent.trace, *silent.tone, silent.name, limits)});
  }
  if (auto why = refuse_after_fit(capture, limits)) {
    return refused(*std::move(why), false, std::move(result));
  }
  if (one_dead) {
    const Side& silent = capture.i.dead ? capture.i : capture.q;
    result.findings.push_back(
        {FindingKind::channel_dead, silence(*silent.trace, *silent.tone, silent.name, limits)});
  }
  fill_quantities(capture, result);
  return result;
}

std::vector<NamedOutcome> quantities(const IqResult& result) {
  std::vector<NamedOutcome> list;
  for (const Named& named : all_quantities) list.push_back({named.name, &(result.*named.member)});
  return list;
}

const Outcome* find(const IqResult& result, std::string_view quantity) {
  for (const Named& named : all_quantities) {
    if (named.name == quantity) return &(result.*named.member);
  }
  return nullptr;
}

double emf_peak_v(double level_dbm, double source_ohm) {
  return 2.0 * std::sqrt(2.0 * source_ohm * 1e-3 * std::pow(10.0, level_dbm / 10.0));
}

}  // namespace nightbench::reading
