#include "sequences/engine/check_pair.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "sequences/engine/capture_plan.hpp"
#include "sequences/engine/context.hpp"
#include "sequences/engine/judge.hpp"
#include "sequences/engine/scope_setup.hpp"

namespace nightbench::engine {
namespace {

using script::Carrier;

constexpr double kSlowRate_hz = 10e3;  // for mains hum: 100 ms
constexpr std::size_t kSlowPoints = 1000;
constexpr int kCapturesAtIf = 4;
constexpr int kCaptures = 2;

double rectangular(double limit) { return limit / std::numbers::sqrt3; }
double in_db(double relative) { return 20 * std::log10(1 + relative); }

PairTraces traces(const instrument::Capture& capture) {
  return {trace_of(capture.channels[0]), trace_of(capture.channels[1])};
}

// A capture on the range that fits; `settings` is left as it was used.
Awaitable<Result<instrument::Capture>> capture_ranged(bench::Bench& bench,
                                                      std::array<int, 2> channels,
                                                      CaptureSettings& settings) {
  for (int attempt = 1;; ++attempt) {
    const instrument::ScopeSetup setup = scope_setup(settings, channels[0], channels[1]);
    CO_TRY_ASSIGN(const instrument::ScopeActual actual, co_await bench.scope()->apply(setup));
    CO_TRY_ASSIGN(instrument::Capture capture, co_await bench.scope()->acquire());
    if (capture.channels.size() != 2) {
      co_return Result<instrument::Capture>(
          fail(ErrorKind::internal, "the scope gave another number of channels than two"));
    }
    const double full_scale_v =
        actual.channels.empty() ? settings.full_scale_v : actual.channels[0].full_scale_v;
    const auto next = replan(settings, full_scale_v, look(capture));
    if (!next || attempt == kMostRangeTries) co_return Result<instrument::Capture>(std::move(capture));
    settings = *next;
  }
}

Awaitable<Result<std::array<double, 2>>> listen_for_mains(bench::Bench& bench,
                                                          std::array<int, 2> channels) {
  CaptureSettings slow;
  slow.sample_rate_hz = kSlowRate_hz;
  slow.points = kSlowPoints;
  slow.full_scale_v = 8;
  CO_TRY_ASSIGN(const instrument::Capture capture, co_await capture_ranged(bench, channels, slow));
  const PairTraces both = traces(capture);
  std::array<double, 2> out{mains_amplitude_v(both.first), mains_amplitude_v(both.second)};
  co_return out;
}

std::string place_of(const script::BoardType& type, const std::string& id) {
  const script::TestPoint* point = type.find(id);
  if (point == nullptr || point->part.empty()) return id;
  return point->pin > 0 ? point->part + " pin " + std::to_string(point->pin) : point->part;
}

constexpr std::array kQuantities{"phase", "balance", "level_1", "level_2", "frequency"};
constexpr std::array kTitles{"phase", "balance", "level, first", "level, second", "frequency error"};
constexpr std::array kUnits{"deg", "dB", "V", "V", "Hz"};

record::Reading reading_of(const script::PairCheck& check, const script::Limits& limits,
                           std::size_t which, const reading::Outcome& outcome) {
  const std::string id = check.id + "." + kQuantities[which];
  record::Limit limit = script::limit_at(limits, id, 0);
  const bool note = which == 1 && check.balance_is_note;
  const record::Limit usual = limit;
  if (note) limit = {};
  record::Reading out =
      judge(id, check.title + ", " + kTitles[which], kUnits[which], outcome, limit);
  if (note && out.value) {
    const bool outside = (usual.lower && *out.value < *usual.lower) ||
                         (usual.upper && *out.value > *usual.upper);
    if (outside) {
      out.detail = "the levels differ by " + format(*out.value, Unit::db, 3) +
                   "; a note, not a failure";
    }
  }
  return out;
}

}  // namespace

Lines lines_of(const script::Intent& intent) {
  Lines lines;
  if (intent.lo_on) lines.lo_hz = intent.lo_hz();
  if (intent.rf_on) lines.rf_hz = intent.rf_hz;
  return lines;
}

std::vector<record::Reading> unread_pair(const script::PairCheck& check,
                                         const script::Limits& limits,
                                         const reading::NoReading& why) {
  std::vector<record::Reading> out;
  const reading::Outcome none = std::unexpected(why);
  for (std::size_t k = 0; k < kQuantities.size(); ++k) {
    out.push_back(reading_of(check, limits, k, none));
  }
  return out;
}

std::vector<record::Reading> judge_pair(const script::PairCheck& check, const script::Limits& limits,
                                        const bench::Uncertainty& scope, const Lines& lines,
                                        const Comparison& seen) {
  using reading::Budget;
  using reading::Outcome;
  const double carrier_hz = lines.at(check.at);
  const auto missing = [](const char* what) {
    return Outcome(reading::no_reading(reading::Reason::empty, what));
  };
  const bool both = seen.channels[0].present && seen.channels[1].present;

  Outcome phase = missing("one of the two points does not show the line");
  Outcome balance = phase;
  if (both) {
    double phase_deg = seen.phase_deg;
    if (check.at == Carrier::intermediate && lines.rf_hz < lines.lo_hz) phase_deg = -phase_deg;
    // Told within half a turn of the middle of its limits: 179 and -181 are one angle.
    const record::Limit limit = script::limit_at(limits, check.id + ".phase", 0);
    const double lower = limit.lower.value_or(limit.upper.value_or(0));
    const double middle = 0.5 * (lower + limit.upper.value_or(lower));
    phase_deg += 360 * std::round((middle - phase_deg) / 360);
    Budget turned;
    turned.add_a("noise", seen.u_phase_deg);
    turned.add_b("channel skew", rectangular(scope.scope_skew_s), reading::Distribution::rectangular,
                 360 * carrier_hz);
    phase = reading::make_reading(check.id + ".phase", phase_deg, "deg", std::move(turned));
    Budget ratio;
    ratio.add_a("noise", seen.u_balance_db);
    ratio.add_b("channel gain match", rectangular(in_db(scope.scope_gain_match)),
                reading::Distribution::rectangular);
    ratio.add_b("probes", rectangular(in_db(scope.probe_gain)), reading::Distribution::rectangular,
                std::numbers::sqrt2);
    balance = reading::make_reading(check.id + ".balance", seen.balance_db, "dB", std::move(ratio));
  }
  std::vector<record::Reading> out;
  out.push_back(reading_of(check, limits, 0, phase));
  out.push_back(reading_of(check, limits, 1, balance));
  for (std::size_t k = 0; k < 2; ++k) {
    const AtCarrier& channel = seen.channels[k];
    Outcome level = missing("the point does not show the line");
    if (channel.present) {
      Budget budget;
      budget.add_a("noise", channel.u_amplitude_v);
      budget.add_b("channel gain",
                   std::hypot(rectangular(scope.scope_gain), rectangular(scope.probe_gain)),
                   reading::Distribution::rectangular, channel.amplitude_v);
      level = reading::make_reading(check.id + "." + kQuantities[2 + k], channel.amplitude_v, "V",
                                    std::move(budget));
    }
    out.push_back(reading_of(check, limits, 2 + k, level));
  }
  Outcome frequency = missing("no line to measure the frequency of");
  if (seen.frequency_hz && (seen.channels[0].present || seen.channels[1].present)) {
    Budget budget;
    budget.add_a("noise", seen.u_frequency_hz);
    budget.add_b("time base", rectangular(scope.time_base), reading::Distribution::rectangular,
                 carrier_hz);
    frequency = reading::make_reading(check.id + ".frequency", *seen.frequency_hz - carrier_hz, "Hz",
                                      std::move(budget));
  }
  out.push_back(reading_of(check, limits, 4, frequency));
  return out;
}

Awaitable<Result<PairSight>> measure_pair(bench::Bench& bench, const script::BoardType& type,
                                          const script::PairCheck& check, script::Intent intent) {
  using Out = Result<PairSight>;
  std::array<int, 2> channels{};
  for (std::size_t k = 0; k < 2; ++k) {
    CO_TRY_ASSIGN(channels[k], bench.scope_channel(check.between[k]));
  }
  PairSight out;
  const Lines lines = lines_of(intent);
  const std::optional<Sampling> sampling = plan_sampling(check.at, lines);
  if (!sampling) {
    const reading::NoReading why{reading::Reason::aliased,
                                 "no sample rate sets this line apart from the others: choose "
                                 "another offset between RF and LO"};
    out.readings = unread_pair(check, type.limits, why);
    co_return Out(std::move(out));
  }
  CaptureSettings settings;
  settings.sample_rate_hz = sampling->rate_hz;
  settings.points = sampling->points;
  settings.full_scale_v = check.at == Carrier::lo ? 1.3 * type.lo_amplitude_v : 4;
  if (check.powered) settings.offset_v = 0.5 * type.lo_amplitude_v;
  // One channel more than two would share the scope's memory and rate; two are enough.
  std::vector<instrument::Capture> captures;
  const int wanted = check.at == Carrier::intermediate ? kCapturesAtIf : kCaptures;
  for (int n = 0; n < wanted; ++n) {
    CO_TRY_ASSIGN(instrument::Capture capture, co_await capture_ranged(bench, channels, settings));
    captures.push_back(std::move(capture));
  }
  std::vector<PairTraces> views;
  for (const instrument::Capture& each : captures) views.push_back(traces(each));
  auto compared = compare(views, check.at, lines);
  if (!compared) {
    out.readings = unread_pair(check, type.limits, reading::from(compared.error()));
    out.doubts = {compared.error().detail, compared.error().detail};
    co_return Out(std::move(out));
  }
  if (!compared->channels[0].present || !compared->channels[1].present) {
    CO_TRY_ASSIGN(const auto mains, co_await listen_for_mains(bench, channels));
    for (std::size_t k = 0; k < 2; ++k) compared->channels[k].mains_v = mains[k];
  }
  for (std::size_t k = 0; k < 2; ++k) {
    const bench::Connection* probe = bench.where(instrument::Role::scope, check.between[k]);
    out.doubts[k] = probe_doubt(compared->channels[k], check.at,
                                probe != nullptr ? bench::port_name(*probe) : "the probe",
                                place_of(type, check.between[k]));
  }
  out.readings = judge_pair(check, type.limits, bench.file().uncertainty, lines, *compared);
  for (const record::Reading& each : out.readings) {
    if (each.decision == record::Decision::none && !each.detail.empty()) {
      out.notes.push_back(each.title + ": " + each.detail);
    }
  }
  co_return Out(std::move(out));
}

}  // namespace nightbench::engine
