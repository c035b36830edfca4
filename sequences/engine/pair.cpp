#include "sequences/engine/pair.hpp"

#include <algorithm>
#include <cmath>

#include "drivers/base/quantity.hpp"
#include "sequences/engine/context.hpp"
#include "sequences/engine/judge.hpp"
#include "sequences/engine/scope_setup.hpp"
#include "sequences/reading/decision.hpp"

namespace nightbench::engine {
namespace {

constexpr std::size_t kExcerptSamples = 400;
constexpr double kExcerptPeriods = 4;
constexpr double kLeastSwing = 0.05;  // of full scale, peak to peak: less is no signal

record::TraceExcerpt excerpt_of(const PairCapture& capture) {
  const signal::Trace i = trace_of(capture.samples.channels[0]);
  const signal::Trace q = trace_of(capture.samples.channels[1]);
  record::TraceExcerpt excerpt;
  const double if_hz = std::fabs(capture.context.rf_hz - capture.context.lo_hz);
  const std::size_t shared = std::min(i.size, q.size);
  const double wanted = if_hz > 0 ? kExcerptPeriods / (if_hz * i.dt_s) : 1e9;
  const auto span = static_cast<std::size_t>(std::min(wanted, static_cast<double>(shared)));
  const std::size_t stride = std::max<std::size_t>(1, span / kExcerptSamples);
  excerpt.dt_s = i.dt_s * static_cast<double>(stride);
  for (std::size_t n = 0; n < span; n += stride) {
    excerpt.i_v.push_back(static_cast<float>(signal::volt_at(i, n)));
    excerpt.q_v.push_back(static_cast<float>(signal::volt_at(q, n)));
  }
  return excerpt;
}

bool may_pass(reading::Reason reason) {
  switch (reason) {
    case reading::Reason::empty:  // RF, LO or supply may have gone
    case reading::Reason::unlocked:
    case reading::Reason::drifting:
    case reading::Reason::interfered:
    case reading::Reason::not_a_tone:
    case reading::Reason::channels_disagree:
    case reading::Reason::not_converged: return true;
    default: return false;
  }
}

// A scope that was reset between set-up and capture records something else than it was told to.
Result<void> as_set(instrument::Scope& scope, const instrument::ScopeActual& set,
                    const instrument::Capture& capture) {
  constexpr double kSame = 1e-3;  // a preamble's numbers are rounded
  for (const instrument::ChannelCapture& each : capture.channels) {
    if (std::fabs(each.dt_s * set.sample_rate_hz - 1) <= kSame) continue;
    Error error;
    error.kind = ErrorKind::bad_data;
    error.instrument = scope.name();
    error.message = "it no longer stands as it was set: samples every " +
                    format(each.dt_s, Unit::second, 4) + " instead of " +
                    format(1 / set.sample_rate_hz, Unit::second, 4);
    scope.forget();
    return fail(std::move(error));
  }
  return {};
}

// The first channel that swings far enough, half-way between its extremes; nothing when neither
// does: a scope would wait for ever, or line noise up.
std::optional<CaptureTrigger> find_trigger(const instrument::Capture& capture, double full_scale_v) {
  // In steps, so that noise alone does not change the setting from point to point.
  const double step_v = kLeastSwing / 5 * full_scale_v;
  for (const instrument::ChannelCapture& each : capture.channels) {
    const signal::Extremes found = signal::extremes(trace_of(each));
    if (found.highest_v - found.lowest_v < kLeastSwing * full_scale_v) continue;
    const double middle_v = 0.5 * (found.lowest_v + found.highest_v);
    return CaptureTrigger{each.channel, step_v * std::round(middle_v / step_v)};
  }
  return std::nullopt;
}

// A match is captured as a pair of which the script says nothing.
const script::PairStep& pair_step(const script::Action& action) {
  static const script::PairStep kPlain;
  const auto* step = std::get_if<script::PairStep>(&action.step->what);
  return step != nullptr ? *step : kPlain;
}

}  // namespace

Expectation PairMeter::expectation(const script::Action& action) const {
  const script::BoardType& type = plan_.board_type();
  const script::PairStep& step = pair_step(action);
  Expectation expected;
  expected.if_hz = std::fabs(action.intent.signed_if_hz());
  if (step.record_points != 0) expected.points = step.record_points;
  if (step.periods != 0) expected.periods = step.periods;
  const auto learned = learned_.find(action.intent.harmonic);
  if (learned != learned_.end()) {
    const Learned& seen = learned->second;
    expected.offset_v = seen.offset_v;
    expected.amplitude_v =
        seen.amplitude_v * std::pow(10, (action.intent.level_dbm - seen.level_dbm) / 20);
  } else {
    const double emf_v = reading::emf_peak_v(
        action.intent.level_dbm - bench_.file().rf_path.loss_db, reading::IqContext().source_ohm);
    expected.offset_v = type.output_bias_v;
    expected.amplitude_v = emf_v * std::pow(10, type.conversion_gain_db / 20) / action.intent.harmonic;
  }
  // Beyond the board's swing there is only clipping to see.
  expected.amplitude_v = std::min(expected.amplitude_v, 1.2 * type.output_swing_v);
  return expected;
}

Awaitable<Result<std::shared_ptr<const PairCapture>>> PairMeter::capture(script::Action action) {
  const script::BoardType& type = plan_.board_type();
  const script::PairStep& step = pair_step(action);
  const std::string& i_point = step.first.empty() ? type.i_point : step.first;
  const std::string& q_point = step.second.empty() ? type.q_point : step.second;
  CO_TRY_ASSIGN(const int i_channel, bench_.scope_channel(i_point));
  CO_TRY_ASSIGN(const int q_channel, bench_.scope_channel(q_point));
  CO_TRY_ASSIGN(const std::shared_ptr<PairCapture> made,
                co_await capture_on(action, i_channel, q_channel));
  if (const bench::MatchFile* match = bench_.match()) {
    use_match(*match, bench::port_name(*bench_.where(instrument::Role::scope, i_point)),
              bench::port_name(*bench_.where(instrument::Role::scope, q_point)),
              bench_.file().uncertainty, made->context);
  }
  co_return std::shared_ptr<const PairCapture>(made);
}

Awaitable<Result<double>> PairMeter::take(instrument::ScopeSetup setup, PairCapture* made) {
  instrument::Scope& scope = *bench_.scope();
  CO_TRY_ASSIGN(const instrument::ScopeActual actual, co_await scope.apply(setup));
  {
    const StageTimes::Lap lap(times_, bench_.clock(), Stage::acquisition);
    CO_TRY(co_await scope.arm());
    CO_TRY(co_await scope.complete());
  }
  {
    const StageTimes::Lap lap(times_, bench_.clock(), Stage::transfer);
    CO_TRY_ASSIGN(made->samples, co_await scope.collect());
  }
  if (made->samples.channels.size() != 2) {
    co_return fail(ErrorKind::internal, "the scope gave another number of channels than two");
  }
  CO_TRY(as_set(scope, actual, made->samples));
  co_return actual.channels.empty() ? setup.channels[0].full_scale_v
                                    : actual.channels[0].full_scale_v;
}

Awaitable<Result<std::shared_ptr<PairCapture>>> PairMeter::capture_on(script::Action action,
                                                                      int i_channel, int q_channel) {
  using Out = Result<std::shared_ptr<PairCapture>>;
  auto made = std::make_shared<PairCapture>();
  const int averages = pair_step(action).averages;
  const Expectation expected = expectation(action);
  CaptureSettings settings = plan_capture(expected);
  if (standing_) {
    settings = keep_standing(settings, standing_->settings, standing_->full_scale_v, expected);
  }
  double full_scale_v = 0;
  Seen seen;
  for (int attempt = 1;; ++attempt) {
    const bool last = attempt >= kMostRangeTries;
    instrument::ScopeSetup setup = scope_setup(settings, i_channel, q_channel);
    const auto trigger = triggers_.find(action.intent.harmonic);
    const bool averaged = averages > 1 && trigger != triggers_.end();
    if (averaged) {
      setup.averages = averages;
      setup.edge_trigger = true;
      setup.trigger_channel = trigger->second.channel;
      setup.trigger_level_v = trigger->second.level_v;
    }
    const Result<double> taken = co_await take(setup, made.get());
    if (!taken && averaged && !last && taken.error().kind == ErrorKind::timeout) {
      triggers_.erase(trigger);  // the signal has gone: a single acquisition shows what there is
      continue;
    }
    if (!taken) co_return fail(taken.error());
    full_scale_v = *taken;
    seen = look(made->samples);
    const auto next = replan(settings, full_scale_v, seen);
    if (next && !last) {
      made->notes.push_back("range " + format(full_scale_v, Unit::volt, 3) +
                            (seen.clipped ? " was clipped" : " was too wide") + ", tried " +
                            format(next->full_scale_v, Unit::volt, 3));
      settings = *next;
      continue;
    }
    if (averages == 1) break;
    const auto found = find_trigger(made->samples, full_scale_v);
    if (found)
      triggers_[action.intent.harmonic] = *found;
    else
      triggers_.erase(action.intent.harmonic);
    // An average stands when it held a signal, a single acquisition when it held none.
    if (averaged == found.has_value() || last) break;
  }
  standing_ = Standing{settings, full_scale_v};
  // What was seen is known before it is analysed. A silent board teaches nothing.
  if (!seen.clipped && seen.widest_v >= kLeastSwing * full_scale_v) {
    learned_[action.intent.harmonic] = Learned{action.intent.level_dbm, 0.5 * seen.widest_v,
                                               0.5 * (seen.lowest_v + seen.highest_v)};
  }
  made->context = iq_context(bench_.file(), plan_.board_type(), action.intent, full_scale_v);
  co_return Out(std::move(made));
}

PairAnalysis PairMeter::analyse(const PairCapture& capture, const script::Limits& limits,
                                double rf_hz, const Spread& spread) {
  PairAnalysis out;
  const signal::Trace i = trace_of(capture.samples.channels[0]);
  const signal::Trace q = trace_of(capture.samples.channels[1]);
  const reading::IqResult result = reading::measure_iq(i, q, capture.context);
  out.readings = judge(result, limits, rf_hz, spread);
  out.notes = capture.notes;
  for (std::string& note : notes(result)) out.notes.push_back(std::move(note));
  if (result.refused) {
    out.worth_repeating = may_pass(result.refused->reason);
    out.notes.push_back("refused: " + result.refused->detail);
  }
  out.excerpt = excerpt_of(capture);
  return out;
}

double record_seconds(const script::Action& action) {
  const script::PairStep& step = pair_step(action);
  Expectation expected;
  expected.if_hz = std::fabs(action.intent.signed_if_hz());
  if (step.record_points != 0) expected.points = step.record_points;
  if (step.periods != 0) expected.periods = step.periods;
  const CaptureSettings settings = plan_capture(expected);
  const double record_s = static_cast<double>(settings.points) / settings.sample_rate_hz;
  return step.averages * record_s;
}

}  // namespace nightbench::engine
