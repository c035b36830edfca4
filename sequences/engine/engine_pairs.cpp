// The pairs of a sweep: point n is analysed while the sources settle and the scope captures for
// n + 1.
#include <algorithm>

#include "sequences/engine/drive.hpp"
#include "sequences/engine/engine.hpp"
#include "sequences/engine/intended_state.hpp"

namespace nightbench::engine {
namespace {

// How often the supply is asked whether it still delivers while a sweep goes on.
constexpr Duration kSupplyLook = std::chrono::seconds(10);

}  // namespace

Pending<PairAnalysis> Engine::analyse(const script::Action& action,
                                      const std::shared_ptr<const PairCapture>& capture) {
  const script::Limits& limits = script::limits_for(plan_.board_type(), action.intent);
  std::function<PairAnalysis()> work = [capture, &limits, rf_hz = action.intent.rf_hz,
                                        spread = drift_.spread()] {
    return PairMeter::analyse(*capture, limits, rf_hz, spread);
  };
  return analyst_.start(std::move(work));
}

Awaitable<PairAnalysis> Engine::await_analysis(Pending<PairAnalysis>& pending) {
  const StageTimes::Lap lap(times_, clock_, Stage::analysis);
  co_return co_await pending.get();
}

// Until the sources stand, after whatever else was done meanwhile.
Awaitable<Result<void>> Engine::settle(TimePoint settled) {
  const StageTimes::Lap lap(times_, clock_, Stage::settling);
  co_return co_await wait_until(settled);
}

Awaitable<Result<void>> Engine::check_state(script::Intent intent, bool supply_too) {
  if (supply_too) supply_looked_ = clock_.now();
  if (settings_.state.verify) {
    co_return co_await settings_.state.verify(bench_, plan_.board_type(), intent, supply_too);
  }
  co_return co_await verify(bench_, plan_.board_type(), intent, supply_too);
}

// Drives to `action` and captures there, once the probes are in place.
Awaitable<Result<std::shared_ptr<const PairCapture>>> Engine::capture(script::Action action) {
  CO_TRY_ASSIGN(const TimePoint settled, co_await drive(bench_, plan_.board_type(), action.intent));
  CO_TRY(co_await settle(settled));
  CO_TRY_ASSIGN(const std::shared_ptr<const PairCapture> capture, co_await pairs_.capture(action));
  const bool supply_too = clock_.now() - supply_looked_ >= kSupplyLook;
  CO_TRY(co_await check_state(action.intent, supply_too));
  co_return capture;
}

Awaitable<Result<void>> Engine::pair(script::Action action) {
  CO_TRY(co_await watch_drift());
  // Where probes are moved, and where points have to be measured twice, nothing is captured ahead.
  const bool by_hand = hand_.outputs_need_a_hand(action);
  if (by_hand || measured_twice_) CO_TRY(co_await settle_pending());
  record::Point point = begin_point(action);
  if (by_hand) {
    CO_TRY_ASSIGN(const TimePoint settled,
                  co_await drive(bench_, plan_.board_type(), action.intent));
    CO_TRY(co_await settle(settled));
    CO_TRY_ASSIGN(const bool measure, co_await hand_.bring_outputs(action, &point));
    if (!measure) co_return keep(std::move(point));
  }
  CO_TRY_ASSIGN(std::shared_ptr<const PairCapture> captured, co_await capture(action));
  CO_TRY_ASSIGN(const bool moved, co_await settle_pending());
  if (moved) {
    CO_TRY_ASSIGN(captured, co_await capture(action));
  }
  if (settings_.keep_capture) {
    CO_TRY_ASSIGN(const std::string kept, settings_.keep_capture(action, *captured));
    if (!kept.empty()) point.notes.push_back("capture kept as " + kept);
  }
  pending_.emplace(PendingPair{action, std::move(point), analyse(action, captured)});
  co_return Result<void>();
}

// Waits for the analysis under way, measures once more when that may help, and keeps the point.
Awaitable<Result<bool>> Engine::settle_pending() {
  measured_twice_ = false;
  if (!pending_) co_return false;
  PendingPair pending = std::move(*pending_);
  pending_.reset();
  PairAnalysis analysis = co_await await_analysis(pending.analysis);
  std::optional<Error> ending;
  const bool again = analysis.worth_repeating && !stop_;
  measured_twice_ = again;
  if (again) {
    const std::string reason = analysis.notes.empty() ? std::string() : analysis.notes.back();
    Result<PairAnalysis> second = co_await measure_again(pending.action, true);
    if (second) {
      analysis = *std::move(second);
      analysis.notes.push_back("measured a second time (" + reason + ")");
      ++pending.point.attempts;
    } else {
      // The first capture stands: it gave no reading, and says why. What is wrong with the bench
      // meets the next point as well, which has the tries to mend it.
      analysis.notes.push_back("could not be measured a second time: " + describe(second.error()));
      if (recovery_.treat(second.error(), 1) == Treatment::stop) ending = second.error();
    }
  }
  drift_.offer(pending.action, analysis.readings, clock_.now());
  pending.point.readings = std::move(analysis.readings);
  for (std::string& each : analysis.notes) pending.point.notes.push_back(std::move(each));
  const std::uint64_t every =
      std::max<std::uint64_t>(1, plan_.points() / std::max<std::uint64_t>(1, settings_.excerpts));
  if (pending.action.ordinal % every == 0) {
    pending.point.excerpt = std::move(analysis.excerpt);
  } else {
    // The budgets of a few points stand for all; kept everywhere they would outweigh the readings.
    for (record::Reading& each : pending.point.readings) each.budget.clear();
  }
  CO_TRY(keep(std::move(pending.point)));
  if (ending) co_return fail(*ending);
  co_return again;
}

// At the end of a run nothing is measured any more; what was captured is kept as it is.
Awaitable<Result<void>> Engine::finish_pending() {
  if (!pending_) co_return Result<void>();
  if (!stop_) {
    CO_TRY(co_await settle_pending());
    co_return Result<void>();
  }
  PendingPair pending = std::move(*pending_);
  pending_.reset();
  PairAnalysis analysis = co_await await_analysis(pending.analysis);
  pending.point.readings = std::move(analysis.readings);
  for (std::string& each : analysis.notes) pending.point.notes.push_back(std::move(each));
  co_return keep(std::move(pending.point));
}

// `anew`: the settings may have been lost, so that all are made again.
Awaitable<Result<PairAnalysis>> Engine::measure_again(script::Action action, bool anew) {
  TimePoint settled{};
  if (anew) {
    CO_TRY_ASSIGN(settled, co_await recovery_.stand_up(action.intent));
  } else {
    CO_TRY_ASSIGN(settled, co_await drive(bench_, plan_.board_type(), action.intent));
  }
  CO_TRY(co_await settle(settled));
  CO_TRY_ASSIGN(const std::shared_ptr<const PairCapture> capture, co_await pairs_.capture(action));
  CO_TRY(co_await check_state(action.intent, true));
  Pending<PairAnalysis> pending = analyse(action, capture);
  co_return co_await await_analysis(pending);
}

Awaitable<Result<void>> Engine::watch_drift() {
  const std::optional<script::Action> due = drift_.due(clock_.now());
  if (!due || stop_) co_return Result<void>();
  drift_.tried(clock_.now());
  CO_TRY(co_await settle_pending());
  CO_TRY_ASSIGN(const PairAnalysis seen, co_await measure_again(*due, false));
  const DriftWatch::Look look = drift_.take(seen.readings);
  if (look.text.empty()) {
    co_return note(record::Severity::warning, "reference-unread",
                   "the reference point gave no reading when it was repeated");
  }
  CO_TRY(
      note(record::Severity::info, "reference-repeated", "change since the start: " + look.text));
  for (const std::string& each : look.findings) {
    CO_TRY(note(record::Severity::warning, "drift", each));
  }
  co_return Result<void>();
}

}  // namespace nightbench::engine
