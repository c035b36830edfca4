#include "sequences/engine/context.hpp"

#include <cmath>
#include <complex>
#include <numbers>

#include "sequences/reading/response.hpp"

namespace nightbench::engine {
namespace {

double rectangular(double limit) { return limit / std::numbers::sqrt3; }

// A relative limit of an amplitude as dB.
double in_db(double relative) { return 20 * std::log10(1 + relative); }

signal::Codes codes_of(const instrument::ChannelCapture& capture) {
  const char* bytes = capture.bytes.data();
  switch (capture.format) {
    case instrument::SampleFormat::int8: return reinterpret_cast<const std::int8_t*>(bytes);
    case instrument::SampleFormat::uint8: return reinterpret_cast<const std::uint8_t*>(bytes);
    case instrument::SampleFormat::int16: return reinterpret_cast<const std::int16_t*>(bytes);
    case instrument::SampleFormat::float32: return reinterpret_cast<const float*>(bytes);
  }
  return reinterpret_cast<const std::int8_t*>(bytes);
}

std::vector<reading::Ratio> ratios_of(const bench::MatchFile& match) {
  constexpr double kRadians = std::numbers::pi / 180;
  std::vector<reading::Ratio> out;
  for (const bench::MatchRow& row : match.rows) {
    out.push_back({row.if_hz,
                   std::polar(std::pow(10, row.gain_ratio_db / 20), row.phase_deg * kRadians),
                   0.5 * row.u_phase_deg * kRadians});
  }
  return out;
}

}  // namespace

void use_accuracy(const bench::BenchFile& bench, reading::IqContext& context) {
  const bench::Uncertainty& limits = bench.uncertainty;
  context.path_loss_db = bench.rf_path.loss_db;
  context.u_path_loss_db = rectangular(bench.rf_path.loss_uncertainty_db);
  context.u_level_db = rectangular(limits.rf_level_db);
  context.u_source_frequency_rel = rectangular(limits.rf_frequency);
  context.u_lo_frequency_rel = rectangular(limits.lo_frequency);
  context.u_time_base_rel = rectangular(limits.time_base);
  context.u_gain_rel = std::hypot(rectangular(limits.scope_gain), rectangular(limits.probe_gain));
  context.match.u_gain_ratio_db =
      std::hypot(rectangular(in_db(limits.scope_gain_match)),
                 std::numbers::sqrt2 * rectangular(in_db(limits.probe_gain)));
  context.match.u_skew_s = rectangular(limits.scope_skew_s);
}

reading::IqContext iq_context(const bench::BenchFile& bench, const script::BoardType& type,
                              const script::Intent& intent, double full_scale_v) {
  reading::IqContext context;
  use_accuracy(bench, context);
  context.rf_hz = intent.rf_hz;
  // Beside the third, seventh, ... multiple the four samples of a period are taken in the other order.
  context.lo_hz = intent.harmonic * intent.lo_hz();
  context.sense = intent.harmonic % 4 == 3 ? -type.sense : type.sense;
  if (intent.harmonic != 1) {
    // Little is to be expected there, and the filter does its work when it is less: what stands clear of
    // the noise counts, its U says how well it is known.
    context.limits.least_sinad_db = 6;
    context.limits.silent_below_v = 1e-5;
    context.limits.quarter_spread = 0.1;
  }
  context.level_dbm = intent.level_dbm;
  context.full_scale_v = full_scale_v;
  return context;
}

void use_match(const bench::MatchFile& match, const std::string& i_port, const std::string& q_port,
               const bench::Uncertainty& limits, reading::IqContext& context) {
  constexpr double kLeftOnRange = 0.1;
  constexpr double kLeftOnOtherRange = 0.33;
  const bool straight = match.first == i_port && match.second == q_port;
  const bool turned = match.first == q_port && match.second == i_port;
  const double if_hz = std::fabs(context.rf_hz - context.lo_hz);
  if ((!straight && !turned) || !context.full_scale_v) return;
  const auto seen = bench::match_at(match, if_hz, *context.full_scale_v);
  if (!seen) return;
  const double sign = straight ? 1 : -1;
  const double left = seen->other_range ? kLeftOnOtherRange : kLeftOnRange;
  const double u_gain_db = std::hypot(0.5 * seen->u_gain_ratio_db,
                                      left * rectangular(in_db(limits.scope_gain_match)));
  if (u_gain_db < context.match.u_gain_ratio_db) {
    context.match.calibrated = true;
    context.match.gain_ratio_db = sign * seen->gain_ratio_db;
    context.match.u_gain_ratio_db = u_gain_db;
  }
  // A skew is one delay at all frequencies: the highest tell most about it.
  const auto skew = reading::node_match(ratios_of(match));
  if (!skew) return;
  const double u_skew_s = std::hypot(skew->u_skew_s, left * rectangular(limits.scope_skew_s));
  if (u_skew_s < context.match.u_skew_s) {
    context.match.skew_s = sign * skew->skew_s;
    context.match.u_skew_s = u_skew_s;
  }
}

reading::MeterAccuracy meter_accuracy(const bench::BenchFile& bench, double range_v) {
  reading::MeterAccuracy accuracy;
  accuracy.percent_of_reading = 100 * bench.uncertainty.meter_dc_reading;
  accuracy.percent_of_range = 100 * bench.uncertainty.meter_dc_range;
  accuracy.range = range_v;
  return accuracy;
}

signal::Trace trace_of(const instrument::ChannelCapture& capture) {
  signal::Trace trace;
  trace.codes = codes_of(capture);
  trace.size = capture.points();
  trace.volts_per_code = capture.volts_per_code;
  trace.offset_v = capture.offset_v - capture.zero_code * capture.volts_per_code;
  trace.t0_s = capture.t0_s;
  trace.dt_s = capture.dt_s;
  trace.limits = signal::ConverterLimits{capture.lowest_code, capture.highest_code};
  return trace;
}

}  // namespace nightbench::engine
