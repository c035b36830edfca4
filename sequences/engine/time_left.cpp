#include "sequences/engine/time_left.hpp"

#include <algorithm>
#include <cmath>

#include "sequences/engine/pair.hpp"

namespace nightbench::engine {
namespace {

constexpr std::uint64_t kMostLooked = 20'000;  // a long plan is sampled
constexpr std::uint64_t kFewestPoints = 3;

double settle_s(const bench::BenchFile& file, instrument::Role role) {
  const bench::InstrumentEntry* entry = file.with_role(role);
  return entry != nullptr && entry->settle ? seconds(*entry->settle) : 0.0;
}

}  // namespace

double action_seconds(const script::Action& action, const script::BoardType& type,
                      const bench::BenchFile& file) {
  const double sources = std::max(settle_s(file, instrument::Role::rf_source),
                                  settle_s(file, instrument::Role::lo_source));
  switch (action.kind) {
    case script::ActionKind::pair:
    case script::ActionKind::match:
      return sources + record_seconds(action);
    case script::ActionKind::power:
      return action.intent.supply_on ? type.supply_settle_s : 0.0;
    case script::ActionKind::ask:
    case script::ActionKind::ohms:
      return 0;
    case script::ActionKind::check:
    case script::ActionKind::drive:
      return sources;
    case script::ActionKind::volts:
      return settle_s(file, instrument::Role::meter);
    case script::ActionKind::wait:
      return std::get<script::WaitStep>(action.step->what).seconds;
  }
  return 0;
}

TimeLeft::Key TimeLeft::key_of(const script::Action& action) const {
  const double model_s = action_seconds(action, plan_.board_type(), file_);
  return {action.step->pointer, std::llround(1e6 * model_s)};
}

TimeLeft::Class& TimeLeft::class_of(const script::Action& action) {
  const Key key = key_of(action);
  Class& found = classes_[key];
  found.kind = action.kind;
  found.model_s = 1e-6 * static_cast<double>(key.second);
  return found;
}

TimeLeft::TimeLeft(const script::Plan& plan, const bench::BenchFile& file)
    : plan_(plan), file_(file) {
  const std::uint64_t count = std::min(plan.actions(), kMostLooked);
  if (count == 0) return;
  actions_a_sample_ = static_cast<double>(plan.actions()) / static_cast<double>(count);
  double place = 0.5;
  for (std::uint64_t k = 0; k < count; ++k) {
    // Anywhere in its stretch (golden ratio): a fixed stride could keep step with a loop.
    place = std::fmod(place + 0.6180339887498949, 1.0);
    const double at = (static_cast<double>(k) + (actions_a_sample_ > 1 ? place : 0.0)) * actions_a_sample_;
    const std::uint64_t n = std::min(plan.actions() - 1, static_cast<std::uint64_t>(at));
    Class& found = class_of(plan.action(n));
    ++found.left;
    samples_.emplace_back(n, &found);
  }
}

void TimeLeft::done(std::uint64_t n, const script::Action& action, bool measured, double elapsed_s) {
  for (; next_ < samples_.size() && samples_[next_].first <= n; ++next_) --samples_[next_].second->left;
  if (measured) {
    Class& found = class_of(action);
    if (found.seen == 0) found.first_s = elapsed_s - before_s_;
    ++found.seen;
    found.spent_s += elapsed_s - before_s_;
    if (action.measures()) ++points_;
  }
  before_s_ = elapsed_s;
}

// The first of a class has to find its range, and does not count when there are others.
double TimeLeft::mean_s(const Class& one) {
  if (one.seen < 2) return one.spent_s;
  return (one.spent_s - one.first_s) / static_cast<double>(one.seen - 1);
}

// What a kind takes beyond the model, on the average of what was met.
double TimeLeft::overhead_s(script::ActionKind kind) const {
  double seen = 0;
  double beyond_s = 0;
  for (const auto& [key, each] : classes_) {
    if (each.kind != kind || each.seen == 0) continue;
    seen += static_cast<double>(each.seen);
    beyond_s += static_cast<double>(each.seen) * (mean_s(each) - each.model_s);
  }
  return seen > 0 ? std::max(0.0, beyond_s / seen) : 0.0;
}

double TimeLeft::left_s(double elapsed_s) const {
  if (points_ < kFewestPoints) return -1;
  std::map<script::ActionKind, double> overheads_s;
  double sum = 0;
  for (const auto& [key, each] : classes_) {
    if (each.left == 0) continue;
    double one = 0;
    if (each.seen > 1) {
      one = mean_s(each);
    } else {
      const auto [overhead, fresh] = overheads_s.try_emplace(each.kind);
      if (fresh) overhead->second = overhead_s(each.kind);
      one = each.model_s + overhead->second;
      if (each.seen == 1) one = std::min(one, each.first_s);
    }
    sum += one * static_cast<double>(each.left);
  }
  // What the action under way has had already is not still to come.
  return std::max(0.0, sum * actions_a_sample_ - (elapsed_s - before_s_));
}

}  // namespace nightbench::engine
