// What a plan needs of a bench, found out before anything is opened.
#include <algorithm>

#include "sequences/engine/engine.hpp"
#include "sequences/engine/match_step.hpp"

namespace nightbench::engine {

namespace {

using instrument::Role;

// Whether an instrument of `role` reaches a point: wired, or by a probe that a person moves.
bool reaches(const bench::BenchFile& file, Role role, const std::string& point) {
  return file.where(role, point) != nullptr || !file.by_hand(role).empty();
}

}  // namespace

std::vector<Role> roles_needed(const script::Plan& plan) {
  const script::Needs needs = plan.needs();
  bool rf = !needs.outputs.empty() || !needs.matches.empty();
  bool lo = rf;
  bool scope = rf;
  for (const auto& [id, pointer] : needs.checks) {
    const auto found = plan.board_type().bring_up.pairs.find(id);
    if (found == plan.board_type().bring_up.pairs.end()) continue;  // check() names it
    rf = rf || found->second.at != script::Carrier::lo;
    lo = lo || found->second.at != script::Carrier::rf;
    scope = true;
  }
  std::vector<Role> roles;
  if (rf) roles.push_back(Role::rf_source);
  if (lo) roles.push_back(Role::lo_source);
  if (scope) roles.push_back(Role::scope);
  if (needs.supply) roles.push_back(Role::supply);
  if (!needs.volts.empty() || !needs.ohms.empty()) roles.push_back(Role::meter);
  return roles;
}

bool needs_person(const script::Plan& plan, const bench::BenchFile& file) {
  const script::Needs needs = plan.needs();
  if (!needs.questions.empty() || !needs.matches.empty()) return true;
  const auto unwired = [&file](Role role, const std::string& point) {
    return file.where(role, point) == nullptr;
  };
  for (const auto& [point, pointer] : needs.volts) {
    if (unwired(Role::meter, point)) return true;
  }
  for (const auto& [point, pointer] : needs.outputs) {
    if (unwired(Role::scope, point)) return true;
  }
  for (const auto& [id, pointer] : needs.checks) {
    const auto found = plan.board_type().bring_up.pairs.find(id);
    if (found == plan.board_type().bring_up.pairs.end()) continue;
    for (const std::string& point : found->second.between) {
      if (unwired(Role::scope, point)) return true;
    }
  }
  return !needs.ohms.empty();
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
  const script::Needs needs = plan.needs();
  for (const auto& [point, pointer] : needs.volts) {
    if (!reaches(file, Role::meter, point)) {
      return wrong(plan.script().file, pointer,
                   "the bench \"" + file.name + "\" has no connection of the meter to \"" + point +
                       "\"");
    }
  }
  for (const auto& [point, pointer] : needs.outputs) {
    if (!reaches(file, Role::scope, point)) {
      return wrong(bench_file, "/connections", "no scope channel is connected to \"" + point + "\"");
    }
  }
  for (const auto& [point, pointer] : needs.matches) {
    if (!matched_ports(file, plan.board_type())) {
      return wrong(plan.script().file, pointer,
                   "a match needs two scope probes, wired to the board's outputs or with "
                   "\"by_hand\"; the bench \"" + file.name + "\" has not");
    }
  }
  for (const auto& [id, pointer] : needs.ohms) {
    if (file.by_hand(Role::meter).empty()) {
      return wrong(plan.script().file, pointer,
                   "ohms are measured with both tips of the meter by hand: the bench \"" + file.name +
                       "\" needs a connection of the meter with \"by_hand\"");
    }
  }
  for (const auto& [id, pointer] : needs.checks) {
    const auto found = plan.board_type().bring_up.pairs.find(id);
    if (found == plan.board_type().bring_up.pairs.end()) continue;
    std::size_t unwired = 0;
    for (const std::string& point : found->second.between) {
      if (file.where(Role::scope, point) == nullptr) ++unwired;
    }
    if (unwired > file.by_hand(Role::scope).size()) {
      return wrong(plan.script().file, pointer,
                   "the pair \"" + id + "\" needs " + std::to_string(unwired) +
                       " scope probes to move by hand, the bench \"" + file.name + "\" has " +
                       std::to_string(file.by_hand(Role::scope).size()));
    }
  }
  script::SafeLimits safe;
  safe.rf_level_most_dbm = file.safe.rf_level_most_dbm;
  safe.supply_most_v = file.safe.supply_voltage_most_v;
  safe.supply_most_a = file.safe.supply_current_most_a;
  return script::check(plan, safe);
}

double estimate_seconds(const script::Plan& plan, const bench::BenchFile& file) {
  // A long plan is sampled: its actions repeat.
  constexpr std::uint64_t kMostLooked = 20'000;
  const std::uint64_t stride = std::max<std::uint64_t>(1, plan.actions() / kMostLooked);
  double sum = 0;
  for (std::uint64_t n = 0; n < plan.actions(); n += stride) {
    sum += action_seconds(plan.action(n), plan.board_type(), file);
  }
  return sum * static_cast<double>(stride);
}

}  // namespace nightbench::engine
