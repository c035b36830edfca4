#include "sequences/engine/engine.hpp"

#include <algorithm>

#include "sequences/engine/drive.hpp"
#include "sequences/engine/supply_steps.hpp"

namespace nightbench::engine {
namespace asio = boost::asio;

namespace {

constexpr Duration kBackOff = std::chrono::milliseconds(200);

// Errors after which a new connection and the settings sent anew may help.
bool may_recover(const Error& error) {
  return error.kind == ErrorKind::timeout || error.kind == ErrorKind::refused ||
         error.kind == ErrorKind::bad_data;
}

std::string supply_failure(const std::vector<record::Reading>& readings) {
  for (const record::Reading& reading : readings) {
    if (reading.decision == record::Decision::fail) {
      return reading.title + " is out of its limits: " + reading.detail;
    }
  }
  return {};
}

}  // namespace

Engine::Engine(const script::Plan& plan, bench::Bench& bench, record::Journal& journal,
               Analyst& analyst, Observer* observer, Settings settings)
    : plan_(plan),
      bench_(bench),
      journal_(journal),
      analyst_(analyst),
      observer_(observer),
      settings_(std::move(settings)),
      clock_(bench.clock()),
      pairs_(bench, plan),
      hand_(plan, bench, settings_.person) {}

void Engine::request_stop() {
  stop_ = true;
  if (waiting_) waiting_->cancel();
  if (settings_.person != nullptr) settings_.person->withdraw();
}

Awaitable<Result<Ending>> Engine::run(record::Header header) {
  header.planned_points = plan_.points();
  header.started = clock_.wall();
  run_id_ = header.run_id;
  began_ = clock_.now();
  const Result<void> begun = journal_.begin(header);
  if (!begun) {
    co_await make_safe();
    co_return fail(begun.error());
  }
  if (observer_ != nullptr) observer_->began(header);

  std::optional<Error> trouble = co_await walk();
  Ending ending;
  ending.outcome = record::Outcome::complete;
  if (trouble) {
    ending.error = trouble;
    ending.text = describe(*trouble);
    switch (trouble->kind) {
      case ErrorKind::cancelled: ending.outcome = record::Outcome::interrupted; break;
      case ErrorKind::unsafe: ending.outcome = record::Outcome::unsafe; break;
      default: ending.outcome = record::Outcome::bench_failed; break;
    }
    if (ending.outcome != record::Outcome::interrupted) {
      static_cast<void>(note(record::Severity::trouble, std::string("run-stopped-") + name(trouble->kind),
                             ending.text));
    }
  }
  co_await make_safe();
  const Result<void> finished =
      journal_.finish(run_id_, ending.outcome, ending.text, clock_.wall());
  if (observer_ != nullptr) observer_->ended(ending.outcome, ending.text);
  if (!finished) co_return fail(finished.error());
  co_return ending;
}

Awaitable<std::optional<Error>> Engine::walk() {
  for (std::uint64_t n = 0; n < plan_.actions() && !stop_; ++n) {
    const script::Action action = plan_.action(n);
    for (attempt_ = 1;; ++attempt_) {
      const Result<void> done = co_await perform(action);
      if (done) break;
      const Error error = done.error();
      if (stop_ || !may_recover(error) || attempt_ >= settings_.tries) co_return error;
      const Result<void> kept =
          note(record::Severity::warning, "measured-again",
               describe(error) + "; trying again, " + std::to_string(attempt_ + 1) + " of " +
                   std::to_string(settings_.tries));
      if (!kept) co_return kept.error();
      for (instrument::Instrument* each : bench_.all()) each->forget();
      const Result<void> waited = co_await wait_until(clock_.now() + kBackOff * attempt_);
      if (!waited) co_return waited.error();
    }
  }
  // The last point's analysis may still be under way; it is kept even when we were asked to stop.
  const Result<bool> settled = co_await settle_pending();
  if (!settled) co_return settled.error();
  if (stop_) {
    Error error;
    error.kind = ErrorKind::cancelled;
    error.message = "stopped on request after " + std::to_string(done_) + " of " +
                    std::to_string(plan_.points()) + " points";
    co_return error;
  }
  co_return std::nullopt;
}

Awaitable<Result<void>> Engine::perform(script::Action action) {
  switch (action.kind) {
    case script::ActionKind::power: {
      CO_TRY(co_await settle_pending());
      CO_TRY(co_await power(action));
      break;
    }
    case script::ActionKind::drive: {
      CO_TRY_ASSIGN(const TimePoint settled, co_await drive(bench_, plan_.board_type(), action.intent));
      CO_TRY(co_await settle_pending());
      CO_TRY(co_await wait_until(settled));
      break;
    }
    case script::ActionKind::ask:
    case script::ActionKind::ohms:
    case script::ActionKind::check:
    case script::ActionKind::volts: {
      CO_TRY(co_await settle_pending());
      CO_TRY(co_await by_hand(action));
      break;
    }
    case script::ActionKind::pair: {
      CO_TRY(co_await pair(action));
      break;
    }
    case script::ActionKind::wait: {
      CO_TRY(co_await settle_pending());
      const auto& step = std::get<script::WaitStep>(action.step->what);
      CO_TRY(co_await wait_until(clock_.now() + from_seconds(step.seconds)));
      break;
    }
  }
  co_return Result<void>();
}

Awaitable<Result<void>> Engine::power(script::Action action) {
  if (!action.intent.supply_on) {
    if (instrument::RfSource* rf = bench_.rf_source(); rf != nullptr) {
      // An unpowered switch has no bias: RF into it is stopped first (common practice, no source).
      if (rf->actual() && rf->actual()->on) CO_TRY(co_await rf->off());
    }
    CO_TRY(co_await bench_.supply()->off());
    co_return Result<void>();
  }
  CO_TRY(hand_.gate().may_power());
  record::Point point = begin_point(action);
  CO_TRY_ASSIGN(point.readings, co_await power_on(bench_, plan_.board_type(), action.intent));
  const std::string failure = supply_failure(point.readings);
  CO_TRY(keep(std::move(point)));
  if (!failure.empty()) co_return fail(ErrorKind::unsafe, failure);
  co_return Result<void>();
}

// Questions, ohms, pairs of the board type and volts: all that may need a person.
Awaitable<Result<void>> Engine::by_hand(script::Action action) {
  record::Point point = begin_point(action);
  if (action.kind == script::ActionKind::check) {
    CO_TRY_ASSIGN(const TimePoint settled,
                  co_await drive(bench_, plan_.board_type(), action.intent));
    CO_TRY(co_await wait_until(settled));
  }
  CO_TRY(co_await hand_.perform(action, &point));
  const script::TestPoint* place = plan_.board_type().find(action.test_point);
  const std::string failure =
      place != nullptr && place->stops_power ? supply_failure(point.readings) : std::string();
  CO_TRY(keep(std::move(point)));
  if (!failure.empty()) co_return fail(ErrorKind::unsafe, failure);
  co_return Result<void>();
}

Awaitable<Result<void>> Engine::pair(script::Action action) {
  record::Point point = begin_point(action);
  CO_TRY_ASSIGN(TimePoint settled, co_await drive(bench_, plan_.board_type(), action.intent));
  CO_TRY_ASSIGN(const bool moved, co_await settle_pending());
  if (moved) {
    CO_TRY_ASSIGN(settled, co_await drive(bench_, plan_.board_type(), action.intent));
  }
  CO_TRY(co_await wait_until(settled));
  CO_TRY_ASSIGN(const bool measure, co_await hand_.bring_outputs(action, &point));
  if (!measure) co_return keep(std::move(point));
  CO_TRY_ASSIGN(const std::shared_ptr<const PairCapture> capture, co_await pairs_.capture(action));
  if (settings_.keep_capture) {
    CO_TRY_ASSIGN(const std::string kept, settings_.keep_capture(action, *capture));
    if (!kept.empty()) point.notes.push_back("capture kept as " + kept);
  }
  const script::Limits& limits = plan_.board_type().limits;
  std::function<PairAnalysis()> work = [capture, &limits, rf_hz = action.intent.rf_hz] {
    return PairMeter::analyse(*capture, limits, rf_hz);
  };
  pending_.emplace(PendingPair{action, std::move(point), analyst_.start(std::move(work))});
  co_return Result<void>();
}

// Waits for the analysis under way, measures once more when that may help, and keeps the point.
Awaitable<Result<bool>> Engine::settle_pending() {
  if (!pending_) co_return false;
  PendingPair pending = std::move(*pending_);
  pending_.reset();
  PairAnalysis analysis = co_await pending.analysis.get();
  const bool again = analysis.worth_repeating && !stop_;
  if (again) {
    const std::string reason = analysis.notes.empty() ? std::string() : analysis.notes.back();
    CO_TRY_ASSIGN(analysis, co_await measure_again(pending.action));
    analysis.notes.push_back("measured a second time (" + reason + ")");
    ++pending.point.attempts;
  }
  pairs_.learn(pending.action, analysis);
  pending.point.readings = std::move(analysis.readings);
  for (std::string& each : analysis.notes) pending.point.notes.push_back(std::move(each));
  const std::uint64_t every =
      std::max<std::uint64_t>(1, plan_.points() / std::max<std::uint64_t>(1, settings_.excerpts));
  if (pending.action.ordinal % every == 0) pending.point.excerpt = std::move(analysis.excerpt);
  CO_TRY(keep(std::move(pending.point)));
  co_return again;
}

Awaitable<Result<PairAnalysis>> Engine::measure_again(script::Action action) {
  CO_TRY_ASSIGN(const TimePoint settled, co_await drive(bench_, plan_.board_type(), action.intent));
  CO_TRY(co_await wait_until(settled));
  CO_TRY_ASSIGN(const std::shared_ptr<const PairCapture> capture, co_await pairs_.capture(action));
  const script::Limits& limits = plan_.board_type().limits;
  std::function<PairAnalysis()> work = [capture, &limits, rf_hz = action.intent.rf_hz] {
    return PairMeter::analyse(*capture, limits, rf_hz);
  };
  Pending<PairAnalysis> pending = analyst_.start(std::move(work));
  co_return co_await pending.get();
}

Awaitable<Result<void>> Engine::wait_until(TimePoint when) {
  if (!stop_ && clock_.now() < when) {
    waiting_.emplace(clock_.context(), asio::steady_timer::time_point::max());
    const auto alarm = clock_.arm(when, [this] {
      if (waiting_) waiting_->cancel();
    });
    boost::system::error_code woken;
    co_await waiting_->async_wait(asio::redirect_error(asio::use_awaitable, woken));
    waiting_.reset();
  }
  if (stop_) co_return fail(ErrorKind::cancelled, "stopped on request");
  co_return Result<void>();
}

Awaitable<void> Engine::make_safe() {
  const std::vector<bench::NotSafe> left = co_await bench_.make_safe();
  for (const bench::NotSafe& each : left) {
    static_cast<void>(note(record::Severity::trouble, "not-switched-off",
                           each.instrument + " may still be on, switch it off by hand: " +
                               describe(each.error)));
  }
}

record::Point Engine::begin_point(const script::Action& action) const {
  record::Point point;
  point.ordinal = action.ordinal;
  point.step = action.step->pointer;
  point.label = action.step->label;
  point.at = action.at;
  point.attempts = attempt_;
  point.started = clock_.wall();
  return point;
}

Result<void> Engine::keep(record::Point point) {
  point.finished = clock_.wall();
  TRY(journal_.append(run_id_, point));
  ++done_;
  if (observer_ != nullptr) observer_->point(point, progress());
  return {};
}

Result<void> Engine::note(record::Severity severity, std::string id, std::string text) {
  record::Event event;
  event.time = clock_.wall();
  event.severity = severity;
  event.id = std::move(id);
  event.text = std::move(text);
  if (observer_ != nullptr) observer_->event(event);
  return journal_.note(run_id_, event);
}

Progress Engine::progress() const {
  Progress out;
  out.points_done = done_;
  out.points_planned = plan_.points();
  out.elapsed_s = seconds(clock_.now() - began_);
  if (done_ >= 3) {
    out.left_s = out.elapsed_s / static_cast<double>(done_) *
                 static_cast<double>(out.points_planned - std::min(done_, out.points_planned));
  }
  return out;
}

}  // namespace nightbench::engine
