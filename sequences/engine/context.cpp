#include "sequences/engine/context.hpp"

#include <cmath>
#include <numbers>

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

}  // namespace

reading::IqContext iq_context(const bench::BenchFile& bench, const script::BoardType& type,
                              const script::Intent& intent, double full_scale_v) {
  const bench::Uncertainty& limits = bench.uncertainty;
  reading::IqContext context;
  context.rf_hz = intent.rf_hz;
  context.lo_hz = intent.lo_hz();
  context.sense = type.sense;
  context.level_dbm = intent.level_dbm;
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
  context.full_scale_v = full_scale_v;
  return context;
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
