// What a plan needs of a bench, found out before anything is opened.
#include <algorithm>

#include "sequences/engine/engine.hpp"

namespace nightbench::engine {

std::vector<instrument::Role> roles_needed(const script::Plan& plan) {
  std::vector<instrument::Role> roles;
  if (plan.uses_pairs()) {
    roles.insert(roles.end(), {instrument::Role::rf_source, instrument::Role::lo_source,
                               instrument::Role::scope});
  }
  if (plan.uses_supply()) roles.push_back(instrument::Role::supply);
  if (!plan.volts_points().empty()) roles.push_back(instrument::Role::meter);
  return roles;
}

Result<void> check_wiring(const script::Plan& plan, const bench::BenchFile& file) {
  const auto wrong = [](const std::string& where, const std::string& pointer,
                        const std::string& message) {
    Error error;
    error.kind = ErrorKind::bad_input;
    error.file = where;
    error.pointer = pointer;
    error.message = message;
    return fail(std::move(error));
  };
  const std::string bench_file = file.file.string();
  for (const instrument::Role role : roles_needed(plan)) {
    if (file.with_role(role) == nullptr) {
      return wrong(bench_file, "/instruments",
                   std::string("the script needs an instrument with the role \"") +
                       instrument::name(role) + "\", the bench has none");
    }
  }
  for (const auto& [point, pointer] : plan.volts_points()) {
    if (file.where(instrument::Role::meter, point) == nullptr) {
      return wrong(plan.script().file, pointer,
                   "the bench \"" + file.name + "\" has no connection of the meter to \"" + point +
                       "\"");
    }
  }
  if (plan.uses_pairs()) {
    for (const std::string& point : {plan.board_type().i_point, plan.board_type().q_point}) {
      if (file.where(instrument::Role::scope, point) == nullptr) {
        return wrong(bench_file, "/connections",
                     "no scope channel is connected to \"" + point + "\"");
      }
    }
  }
  script::SafeLimits safe;
  safe.rf_level_most_dbm = file.safe.rf_level_most_dbm;
  safe.supply_most_v = file.safe.supply_voltage_most_v;
  safe.supply_most_a = file.safe.supply_current_most_a;
  return script::check(plan, safe);
}

double estimate_seconds(const script::Plan& plan, const bench::BenchFile& file) {
  const auto settle = [&file](instrument::Role role) {
    const bench::InstrumentEntry* entry = file.with_role(role);
    return entry != nullptr && entry->settle ? seconds(*entry->settle) : 0.0;
  };
  const double sources =
      std::max(settle(instrument::Role::rf_source), settle(instrument::Role::lo_source));
  // A long plan is sampled: its actions repeat.
  constexpr std::uint64_t kMostLooked = 20'000;
  const std::uint64_t stride = std::max<std::uint64_t>(1, plan.actions() / kMostLooked);
  double sum = 0;
  for (std::uint64_t n = 0; n < plan.actions(); n += stride) {
    const script::Action action = plan.action(n);
    switch (action.kind) {
      case script::ActionKind::pair: sum += sources + record_seconds(action); break;
      case script::ActionKind::power:
        sum += action.intent.supply_on ? plan.board_type().supply_settle_s : 0.0;
        break;
      case script::ActionKind::drive: sum += sources; break;
      case script::ActionKind::volts: sum += settle(instrument::Role::meter); break;
      case script::ActionKind::wait:
        sum += std::get<script::WaitStep>(action.step->what).seconds;
        break;
    }
  }
  return sum * static_cast<double>(stride);
}

}  // namespace nightbench::engine
