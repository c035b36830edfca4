#include "sequences/engine/time_left.hpp"

#include <algorithm>

#include "sequences/engine/pair.hpp"

namespace nightbench::engine {
namespace {

// Messages and transfer of a measurement: what the model does not know is scaled by what is seen.
constexpr double kOverhead_s = 0.01;
constexpr std::uint64_t kMostLooked = 20'000;  // a long plan is sampled: its actions repeat
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

double TimeLeft::weight(const script::Action& action) const {
  return kOverhead_s + action_seconds(action, plan_.board_type(), file_);
}

TimeLeft::TimeLeft(const script::Plan& plan, const bench::BenchFile& file)
    : plan_(plan), file_(file) {
  const std::uint64_t stride = std::max<std::uint64_t>(1, plan.actions() / kMostLooked);
  double sum = 0;
  std::uint64_t looked = 0;
  for (std::uint64_t n = 0; n < plan.actions(); n += stride, ++looked)
    sum += weight(plan.action(n));
  if (looked > 0) total_ = sum * static_cast<double>(plan.actions()) / static_cast<double>(looked);
}

void TimeLeft::done(const script::Action& action, bool measured) {
  const double each = weight(action);
  passed_ += each;
  if (!measured) return;
  worked_ += each;
  if (action.measures()) ++points_;
}

double TimeLeft::left_s(double elapsed_s) const {
  if (points_ < kFewestPoints || worked_ <= 0) return -1;
  return std::max(0.0, total_ - passed_) * elapsed_s / worked_;
}

}  // namespace nightbench::engine
