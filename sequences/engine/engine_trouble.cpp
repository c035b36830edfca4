// What the engine does when an action fails, and how it carries on with a run that was cut short.
#include <algorithm>

#include "sequences/engine/check_pair.hpp"
#include "sequences/engine/drive.hpp"
#include "sequences/engine/engine.hpp"
#include "sequences/engine/intended_state.hpp"
#include "sequences/engine/judge.hpp"
#include "sequences/engine/supply_steps.hpp"

namespace nightbench::engine {
namespace {

constexpr const char* kReason = "instrument-trouble";

record::Reading unread(const std::string& quantity, const std::string& title,
                       const std::string& unit, const script::Limits& limits,
                       const std::string& detail) {
  record::Reading out;
  out.quantity = quantity;
  out.title = title;
  out.unit = unit;
  out.reason = kReason;
  out.detail = detail;
  out.limit = script::limit_at(limits, quantity, 0);
  out.decision = record::Decision::no_reading;
  return out;
}

std::vector<record::Reading> unread_action(const script::Action& action,
                                           const script::BoardType& type,
                                           const std::string& detail) {
  switch (action.kind) {
    case script::ActionKind::pair:
      return unread_iq(script::limits_for(type, action.intent), action.intent.rf_hz, kReason, detail);
    case script::ActionKind::check: {
      auto out = unread_pair(type.bring_up.pairs.at(action.check), type.limits,
                             {reading::Reason::not_measured, detail});
      for (record::Reading& each : out) each.reason = kReason;
      return out;
    }
    case script::ActionKind::ohms: {
      const script::ResistanceCheck& check = type.bring_up.resistances.at(action.check);
      return {unread(check.id, check.title, "ohm", type.limits, detail)};
    }
    case script::ActionKind::volts: {
      const script::TestPoint* place = type.find(action.test_point);
      return {unread(action.test_point, place != nullptr ? place->title : action.test_point, "V",
                     type.limits, detail)};
    }
    case script::ActionKind::match:
      return {unread("match_gain", "Channel match, gain", "dB", type.limits, detail),
              unread("match_phase", "Channel match, phase", "deg", type.limits, detail)};
    default:
      return {};
  }
}

}  // namespace

Awaitable<Result<void>> Engine::carry_out(script::Action action) {
  const std::vector<instrument::Role> roles = roles_of(action);
  if (const std::optional<Error> lost = recovery_.lost(roles)) {
    CO_TRY(co_await settle_pending());  // points are kept in their order
    co_return give_up(action, *lost);
  }
  for (attempt_ = 1;; ++attempt_) {
    const Result<void> done = co_await perform(action);
    if (done) {
      recovery_.went_well(roles);
      co_return Result<void>();
    }
    Error error = done.error();
    if (stop_) co_return fail(std::move(error));
    const Treatment treatment = recovery_.treat(error, attempt_);
    if (treatment == Treatment::stop) co_return fail(std::move(error));
    if (treatment == Treatment::again) {
      const Result<void> restored = co_await recovery_.restore(error, attempt_, action.intent);
      if (restored) continue;
      error = restored.error();
      if (stop_ || recovery_.treat(error, attempt_) == Treatment::stop) {
        co_return fail(std::move(error));
      }
    }
    CO_TRY(note(record::Severity::trouble, "given-up",
                (action.measures() ? "no reading at \"" : "not done: \"") + action.step->label +
                    "\": " + describe(error)));
    CO_TRY(co_await settle_pending());
    co_return give_up(action, error);
  }
}

Result<void> Engine::give_up(const script::Action& action, const Error& error) {
  // Without power, or without the answers before it, nothing that follows means anything.
  if (action.kind == script::ActionKind::power || action.kind == script::ActionKind::ask) {
    return fail(error);
  }
  if (!action.measures()) return {};
  record::Point point = begin_point(action);
  point.readings = unread_action(action, plan_.board_type(), describe(error));
  const bool stops_power = [&] {
    const script::TestPoint* place = plan_.board_type().find(action.test_point);
    return place != nullptr && place->stops_power;
  }();
  const bool unpowered = action.kind == script::ActionKind::ohms;
  TRY(keep(std::move(point)));
  if (stops_power || unpowered) {
    return fail(ErrorKind::unsafe,
                "what must be known before the board may be under power was not "
                "measured: " +
                    describe(error));
  }
  return {};
}

Awaitable<Result<Ending>> Engine::resume(Kept kept) {
  run_id_ = kept.header().run_id;
  began_ = clock_.now();
  const Result<void> same = same_bench(kept.header(), plan_, bench_);
  if (!same) {
    co_await bench_.make_safe();
    co_return fail(same.error());
  }
  const Result<void> opened = journal_.reopen(run_id_);
  if (!opened) {
    co_await bench_.make_safe();
    co_return fail(opened.error());
  }
  kept_.emplace(std::move(kept));
  done_ = kept_->points();
  for (const record::Point& check : kept_->checks()) hand_.recall(check);
  if (observer_ != nullptr) observer_->began(kept_->header());
  std::string text = "the run was cut short after " + std::to_string(done_) + " of " +
                     std::to_string(plan_.points()) + " points";
  if (const std::optional<WallTime> last = kept_->last_finished()) {
    const double gap_s = seconds(clock_.wall() - *last);
    text += ", the last of them kept at " + iso8601(*last);
    text += gap_s < 0 ? "; the calendar clock has been set back since"
                      : ", and carried on " + format(gap_s, Unit::second, 3) + " later";
  }
  const Result<void> noted = note(record::Severity::warning, "run-resumed", text);
  if (!noted) {
    co_await make_safe();
    co_return fail(noted.error());
  }
  co_return co_await go();
}

// Brings the bench to where the run was before action `first`, and checks that it is the same.
Awaitable<Result<void>> Engine::come_back(std::uint64_t first) {
  script::Action next = plan_.action(first);
  if (next.kind == script::ActionKind::power) co_return Result<void>();
  const script::Intent intent = next.intent;
  if (intent.supply_on) {
    CO_TRY(hand_.gate().may_power());
    CO_TRY_ASSIGN(const std::vector<record::Reading> now,
                  co_await power_on(bench_, plan_.board_type(), intent));
    const std::vector<std::string> quantities{"supply_current", "supply_voltage"};
    if (kept_->power()) {
      const std::string other = disagreement(kept_->power()->readings, now, quantities);
      if (!other.empty()) {
        co_return fail(ErrorKind::bad_input,
                       "the run cannot be resumed, this is not the same "
                       "board or bench: " +
                           other);
      }
    }
  }
  if (!kept_->pair()) co_return Result<void>();
  for (std::uint64_t n = first; n-- > 0;) {
    const script::Action action = plan_.action(n);
    if (!action.measures() || action.ordinal > kept_->pair()->ordinal) continue;
    if (action.ordinal < kept_->pair()->ordinal) break;
    if (action.kind != script::ActionKind::pair || !intent.supply_on) break;
    co_return co_await same_board(action);
  }
  co_return Result<void>();
}

Awaitable<Result<void>> Engine::same_board(script::Action action) {
  record::Point unused;
  CO_TRY_ASSIGN(const bool placed, co_await hand_.bring_outputs(action, &unused));
  if (!placed) co_return Result<void>();
  // The trouble policy holds here too, only that nothing is kept.
  for (int attempt = 1;; ++attempt) {
    const Result<PairAnalysis> seen = co_await measure_again(action, attempt > 1);
    if (!seen) {
      const Error error = seen.error();
      if (stop_ || recovery_.treat(error, attempt) != Treatment::again) co_return fail(error);
      CO_TRY(co_await recovery_.restore(error, attempt, action.intent));
      continue;
    }
    if (seen->worth_repeating && attempt < bench_.file().trouble.tries) continue;
    const std::vector<std::string> quantities{"conversion_gain", "gain_balance", "phase_error"};
    const std::string other = disagreement(kept_->pair()->readings, seen->readings, quantities);
    if (other.empty()) {
      co_return note(record::Severity::info, "resume-checked",
                     "point " + std::to_string(action.ordinal) + " measured again agrees");
    }
    // At k = 2 one reading in twenty is out by chance: another board is out every time.
    if (attempt < bench_.file().trouble.tries) continue;
    co_return fail(ErrorKind::bad_input,
                   "the run cannot be resumed, this is not the same board or bench: " + other);
  }
}

}  // namespace nightbench::engine
