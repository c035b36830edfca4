#include "sequences/engine/drift_watch.hpp"

#include <array>
#include <cmath>
#include <string_view>

#include "drivers/base/quantity.hpp"
#include "sequences/reading/uncertainty.hpp"

namespace nightbench::engine {
namespace {

// What a board is judged by and what does not depend on the level of the point.
constexpr std::array<std::string_view, 3> kWatched{"conversion_gain", "gain_balance",
                                                   "phase_error"};

bool is_watched(std::string_view quantity) {
  for (const std::string_view each : kWatched) {
    if (each == quantity) return true;
  }
  return false;
}

std::string in(double value, const std::string& unit) {
  return format(value, unit == "deg" ? Unit::degree : Unit::db, 3);
}

}  // namespace

void widen(reading::Outcome& outcome, const std::string& quantity, const Spread& spread) {
  const auto found = spread.find(quantity);
  if (!outcome || found == spread.end() || !std::isfinite(outcome->U)) return;
  const double before = outcome->U;
  outcome->U = std::hypot(before, 2 * found->second);
  reading::BudgetRow row;
  row.name = "spread of the reference point";
  row.type = reading::Evaluation::type_a;
  row.u = found->second;
  outcome->budget.push_back(std::move(row));
  if (!outcome->interval) return;
  outcome->interval->low -= outcome->U - before;
  outcome->interval->high += outcome->U - before;
}

void DriftWatch::offer(const script::Action& action, const std::vector<record::Reading>& readings,
                       TimePoint now) {
  if (action_ || settings_.every <= Duration::zero()) return;
  std::map<std::string, Kept> kept;
  for (const record::Reading& each : readings) {
    if (!each.value || !is_watched(each.quantity)) continue;
    kept[each.quantity] = Kept{*each.value, each.expanded_u, {*each.value}};
  }
  if (kept.empty()) return;
  kept_ = std::move(kept);
  action_ = action;
  last_ = now;
}

std::optional<script::Action> DriftWatch::due(TimePoint now) const {
  if (!action_ || now - last_ < settings_.every) return std::nullopt;
  return action_;
}

DriftWatch::Look DriftWatch::take(const std::vector<record::Reading>& readings) {
  Look out;
  for (const record::Reading& each : readings) {
    const auto found = kept_.find(each.quantity);
    if (found == kept_.end() || !each.value) continue;
    Kept& kept = found->second;
    kept.repeats.push_back(*each.value);
    spread_[each.quantity] = reading::type_a(kept.repeats).s;
    const double change = *each.value - kept.value;
    if (!out.text.empty()) out.text += ", ";
    out.text += each.title + " " + in(change, each.unit);
    if (std::fabs(change) > settings_.limit * kept.expanded_u) {
      out.findings.push_back(each.title + " has moved by " + in(change, each.unit) +
                             ", more than " + in(settings_.limit * kept.expanded_u, each.unit) +
                             " since the start");
    }
  }
  return out;
}

}  // namespace nightbench::engine
