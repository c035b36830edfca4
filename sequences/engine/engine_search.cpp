// The measurements of a plan in the order of a chooser, so that a fault is reached with few moves.
//
// Everything before the first power stands in the plan's order: what keeps power off is asked and
// measured first. After that every measurement brings the bench to the state that the plan intends
// for it; power comes back only while no check made without power has failed.
#include <algorithm>
#include <map>

#include "sequences/engine/drive.hpp"
#include "sequences/engine/engine.hpp"
#include "sequences/engine/supply_steps.hpp"

namespace nightbench::engine {
namespace {

std::string check_of(const script::Action& action) {
  switch (action.kind) {
    case script::ActionKind::ask: return std::get<script::AskStep>(action.step->what).id;
    case script::ActionKind::volts: return action.test_point;
    case script::ActionKind::pair: return "outputs";
    case script::ActionKind::ohms:
    case script::ActionKind::check: return action.check;
    default: return "";
  }
}

}  // namespace

// Whether the supply now stands as `intent` has it; false when it must stay off.
Awaitable<Result<bool>> Engine::power_for_search(script::Intent intent) {
  if (bench_.supply() == nullptr) co_return true;
  if (!intent.supply_on) {
    // An unpowered switch has no bias: RF into it is stopped first (common practice, no source).
    if (bench_.rf_source() != nullptr) CO_TRY(co_await bench_.rf_source()->off());
    CO_TRY(co_await bench_.supply()->off());
    co_return true;
  }
  if (!hand_.gate().may_power()) co_return false;
  CO_TRY_ASSIGN(const std::vector<record::Reading> readings,
                co_await power_on(bench_, plan_.board_type(), intent));
  for (const record::Reading& each : readings) {
    if (each.decision == record::Decision::fail) {
      co_return fail(ErrorKind::unsafe, each.title + " is out of its limits: " + each.detail);
    }
  }
  co_return true;
}

Awaitable<Result<void>> Engine::search(std::uint64_t first, script::Intent intent) {
  std::map<std::string, std::vector<std::uint64_t>> left;
  for (std::uint64_t n = first; n < plan_.actions(); ++n) {
    const script::Action action = plan_.action(n);
    const std::string check = check_of(action);
    if (!check.empty()) left[check].push_back(n);
  }
  bool powered = intent.supply_on;
  while (!stop_) {
    CO_TRY(co_await settle_pending());
    CO_TRY_ASSIGN(const record::Run so_far, journal_.load(run_id_));
    std::vector<std::string> open;
    const bool may_power = hand_.gate().may_power().has_value();
    for (const auto& [check, actions] : left) {
      if (may_power || !plan_.action(actions.front()).intent.supply_on) open.push_back(check);
    }
    const Choice choice = settings_.chooser(so_far, open, powered);
    CO_TRY(note(record::Severity::info, choice.check ? "search" : "search-ended",
                (choice.check ? *choice.check + ": " : std::string()) + choice.why));
    if (!choice.check) co_return Result<void>();
    const auto chosen = left.find(*choice.check);
    if (chosen == left.end()) {
      co_return fail(ErrorKind::internal, "there is no measurement \"" + *choice.check + "\" left");
    }
    const std::vector<std::uint64_t> actions = chosen->second;
    left.erase(chosen);
    for (const std::uint64_t n : actions) {
      if (stop_) break;
      const script::Action action = plan_.action(n);
      if (action.intent.supply_on != powered) {
        CO_TRY(co_await settle_pending());
        CO_TRY_ASSIGN(const bool stands, co_await power_for_search(action.intent));
        if (!stands) break;
        powered = action.intent.supply_on;
      }
      CO_TRY_ASSIGN(const TimePoint settled,
                    co_await drive(bench_, plan_.board_type(), action.intent));
      CO_TRY(co_await wait_until(settled));
      CO_TRY(co_await carry_out(action));
    }
  }
  co_return Result<void>();
}

}  // namespace nightbench::engine
