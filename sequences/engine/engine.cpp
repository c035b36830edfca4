#include "sequences/engine/engine.hpp"

#include <algorithm>

#include "drivers/base/quantity.hpp"
#include "sequences/engine/drive.hpp"
#include "sequences/engine/intended_state.hpp"
#include "sequences/engine/supply_steps.hpp"

namespace nightbench::engine {
namespace asio = boost::asio;

namespace {

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
      pairs_(bench, plan, times_),
      hand_(plan, bench, settings_.person, times_),
      match_(plan, bench, pairs_, hand_.probes()),
      recovery_(
          bench, plan.board_type(),
          settings_.state.establish ? settings_.state.establish : Recovery::Establish(establish),
          [this](record::Severity severity, std::string id, std::string text) {
            return note(severity, std::move(id), std::move(text));
          },
          [this](TimePoint when) { return wait_until(when); }),
      drift_(bench.file().drift),
      time_left_(plan, bench.file()) {}

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
  if (plan_.uses_pairs()) {
    const bool matched = bench_.match() != nullptr;
    CO_TRY(note(record::Severity::info, matched ? "channels-matched" : "channels-not-matched",
                bench_.match_remark()));
  }
  co_return co_await go();
}

Awaitable<Result<Ending>> Engine::go() {
  std::optional<Error> trouble = co_await walk();
  Ending ending;
  ending.outcome = record::Outcome::complete;
  if (trouble) {
    ending.error = trouble;
    ending.text = describe(*trouble);
    switch (trouble->kind) {
      case ErrorKind::cancelled:
      case ErrorKind::bad_input: ending.outcome = record::Outcome::interrupted; break;
      case ErrorKind::unsafe: ending.outcome = record::Outcome::unsafe; break;
      default: ending.outcome = record::Outcome::bench_failed; break;
    }
    if (ending.outcome != record::Outcome::interrupted) {
      static_cast<void>(note(record::Severity::trouble, std::string("run-stopped-") + name(trouble->kind),
                             ending.text));
    }
  }
  ending.all_off = co_await make_safe();
  ending.times = times_;
  ending.took = clock_.now() - began_;
  static_cast<void>(note(record::Severity::info, "time-spent",
                         "of " + format(seconds(ending.took), Unit::second, 4) + ": " +
                             times_.text(ending.took)));
  const Result<void> finished =
      journal_.finish(run_id_, ending.outcome, ending.text, clock_.wall());
  if (observer_ != nullptr) observer_->ended(ending.outcome, ending.text);
  if (!finished) co_return fail(finished.error());
  co_return ending;
}

Awaitable<std::optional<Error>> Engine::walk() {
  bool came_back = !kept_;
  std::optional<Error> trouble;
  for (std::uint64_t n = 0; n < plan_.actions() && !stop_ && !trouble; ++n) {
    const script::Action action = plan_.action(n);
    // What only prepares the next measurement is part of the state that it intends.
    const bool past = kept_ && (action.measures() ? kept_->has(action.ordinal) : !came_back);
    if (past) {
      time_left_.done(n, action, false, elapsed_s());
      continue;
    }
    if (!came_back) {
      came_back = true;
      const Result<void> same = co_await come_back(n);
      if (!same) {
        trouble = same.error();
        break;
      }
    }
    const Result<void> done = co_await carry_out(action);
    if (!done) trouble = done.error();
    time_left_.done(n, action, true, elapsed_s());
    const bool powered = action.kind == script::ActionKind::power && action.intent.supply_on;
    if (!trouble && powered && settings_.chooser && !kept_) {
      const Result<void> searched = co_await search(n + 1, action.intent);
      if (!searched) trouble = searched.error();
      break;
    }
  }
  // The last point's analysis may still be under way; it is kept whatever made us stop.
  const Result<void> kept = co_await finish_pending();
  if (!kept && !trouble) trouble = kept.error();
  if (trouble || !stop_) co_return trouble;
  Error error;
  error.kind = ErrorKind::cancelled;
  error.message = "stopped on request after " + std::to_string(done_) + " of " +
                  std::to_string(plan_.points()) + " points";
  co_return error;
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
      CO_TRY(co_await settle(settled));
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
    case script::ActionKind::match: {
      CO_TRY(co_await settle_pending());
      CO_TRY(co_await match(action));
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
    CO_TRY(co_await settle(settled));
  }
  CO_TRY(co_await hand_.perform(action, &point));
  // A supply or source that was lost meanwhile must not be taken for a fault of the board.
  if (action.kind != script::ActionKind::ask) CO_TRY(co_await check_state(action.intent, true));
  const script::TestPoint* place = plan_.board_type().find(action.test_point);
  const std::string failure =
      place != nullptr && place->stops_power ? supply_failure(point.readings) : std::string();
  CO_TRY(keep(std::move(point)));
  if (!failure.empty()) co_return fail(ErrorKind::unsafe, failure);
  co_return Result<void>();
}

Awaitable<Result<void>> Engine::match(script::Action action) {
  record::Point point = begin_point(action);
  CO_TRY_ASSIGN(const TimePoint settled, co_await drive(bench_, plan_.board_type(), action.intent));
  CO_TRY(co_await settle(settled));
  CO_TRY(co_await match_.measure(action, &point));
  CO_TRY(co_await check_state(action.intent, true));
  CO_TRY(keep(std::move(point)));
  if (matches_after(action)) co_return Result<void>();
  CO_TRY(co_await match_.put_back(action.intent.supply_on));
  const std::optional<bench::MatchFile> found = match_.take(run_id_);
  if (!found) co_return Result<void>();
  bench_.use_match(*found);
  if (!settings_.keep_match) co_return Result<void>();
  const Result<void> kept = settings_.keep_match(*found);
  // The readings stand in the run all the same.
  if (!kept) co_return note(record::Severity::warning, "match-not-kept", describe(kept.error()));
  co_return note(record::Severity::info, "match-kept",
                 "the channel match is in " +
                     bench::match_path(bench_.file().file).filename().string());
}

// Whether the next thing that is measured is a match as well.
bool Engine::matches_after(const script::Action& action) const {
  for (std::uint64_t n = action.index + 1; n < plan_.actions(); ++n) {
    const script::Action next = plan_.action(n);
    if (next.measures()) return next.kind == script::ActionKind::match;
  }
  return false;
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

Awaitable<bool> Engine::make_safe() {
  const std::vector<bench::NotSafe> left = co_await bench_.make_safe();
  for (const bench::NotSafe& each : left) {
    static_cast<void>(note(record::Severity::trouble, "not-switched-off",
                           each.instrument + " may still be on, switch it off by hand: " +
                               describe(each.error)));
  }
  co_return left.empty();
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
  {
    const StageTimes::Lap lap(times_, clock_, Stage::journal);
    TRY(journal_.append(run_id_, point));
  }
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
  out.elapsed_s = elapsed_s();
  out.left_s = time_left_.left_s(out.elapsed_s);
  return out;
}

}  // namespace nightbench::engine
