#include "sequences/script/plan.hpp"

#include "sequences/script/unroll.hpp"

namespace nightbench::script {
namespace {

struct Count {
  std::uint64_t actions = 0;
  std::uint64_t points = 0;
};

Count count(const std::vector<Step>& steps);

Count count(const Step& step) {
  if (const auto* sweep = std::get_if<SweepStep>(&step.what)) {
    const Count body = count(sweep->body);
    const std::uint64_t times = combinations(*sweep);
    return {product(times, body.actions), product(times, body.points)};
  }
  if (const auto* repeat = std::get_if<RepeatStep>(&step.what)) {
    const Count body = count(repeat->body);
    return {product(repeat->times, body.actions), product(repeat->times, body.points)};
  }
  if (const auto* volts = std::get_if<VoltsStep>(&step.what)) {
    return {volts->at.size(), volts->at.size()};
  }
  if (const auto* ohms = std::get_if<OhmsStep>(&step.what)) {
    return {ohms->checks.size(), ohms->checks.size()};
  }
  if (const auto* pair = std::get_if<PairStep>(&step.what)) {
    const std::size_t all = pair->checks.empty() ? 1 : pair->checks.size();
    return {all, all};
  }
  if (const auto* power = std::get_if<PowerStep>(&step.what)) return {1, power->on ? 1U : 0U};
  const bool point = std::holds_alternative<AskStep>(step.what) ||
                     std::holds_alternative<MatchStep>(step.what);
  return {1, point ? 1U : 0U};
}

Count count(const std::vector<Step>& steps) {
  Count all;
  for (const Step& step : steps) {
    const Count each = count(step);
    all.actions = sum(all.actions, each.actions);
    all.points = sum(all.points, each.points);
  }
  return all;
}

std::string free_key(const std::map<std::string, double>& at, std::string key) {
  for (int level = 2; at.contains(key); ++level) key = "repeat_" + std::to_string(level);
  return key;
}

// Walks down to the n-th action of `steps`.
class Descent {
 public:
  explicit Descent(const BoardType& type) : type_(type) {}

  Action to(const std::vector<Step>& steps, std::uint64_t n) {
    for (const Step& step : steps) {
      const Count here = count(step);
      if (n < here.actions) return inside(step, n);
      n -= here.actions;
      points_ += here.points;
      leave(step, type_, intent_);
    }
    return {};  // unreachable for n < actions()
  }

 private:
  Action inside(const Step& step, std::uint64_t n) {
    if (const auto* sweep = std::get_if<SweepStep>(&step.what)) {
      const Count body = count(sweep->body);
      const std::uint64_t round = n / body.actions;
      if (round > 0) {
        choose(*sweep, round - 1, intent_);
        leave(sweep->body, type_, intent_);
      }
      choose(*sweep, round, intent_);
      points_ += round * body.points;
      return to(sweep->body, n % body.actions);
    }
    if (const auto* repeat = std::get_if<RepeatStep>(&step.what)) {
      const Count body = count(repeat->body);
      const std::uint64_t round = n / body.actions;
      if (round > 0) leave(repeat->body, type_, intent_);
      points_ += round * body.points;
      at_[free_key(at_, "repeat")] = static_cast<double>(round + 1);
      return to(repeat->body, n % body.actions);
    }
    return leaf(step, n);
  }

  Action leaf(const Step& step, std::uint64_t n) {
    Action action;
    action.step = &step;
    leave(step, type_, intent_);
    if (std::holds_alternative<PowerStep>(step.what)) action.kind = ActionKind::power;
    if (std::holds_alternative<DriveStep>(step.what)) action.kind = ActionKind::drive;
    if (std::holds_alternative<PairStep>(step.what)) action.kind = ActionKind::pair;
    if (std::holds_alternative<WaitStep>(step.what)) action.kind = ActionKind::wait;
    if (std::holds_alternative<AskStep>(step.what)) action.kind = ActionKind::ask;
    if (const auto* ohms = std::get_if<OhmsStep>(&step.what)) {
      action.kind = ActionKind::ohms;
      action.check = ohms->checks[n];
      points_ += n;
    }
    const auto* pair = std::get_if<PairStep>(&step.what);
    if (pair != nullptr && !pair->checks.empty()) {
      action.kind = ActionKind::check;
      action.check = pair->checks[n];
      points_ += n;
      note_coordinates(type_.bring_up, action.check);
    }
    if (const auto* volts = std::get_if<VoltsStep>(&step.what)) {
      action.kind = ActionKind::volts;
      action.test_point = volts->at[n];
      points_ += n;
    }
    if (const auto* match = std::get_if<MatchStep>(&step.what)) {
      action.kind = ActionKind::match;
      action.test_point = match->at;
    }
    if (pair != nullptr && pair->harmonic != 1) {
      intent_ = beside_harmonic(intent_, pair->harmonic);
      at_["harmonic"] = pair->harmonic;
    }
    if (action.kind == ActionKind::pair || action.kind == ActionKind::match) {
      at_["rf_hz"] = intent_.rf_hz;
      at_["lo_hz"] = intent_.lo_hz();
      at_["offset_hz"] = intent_.signed_if_hz();
      at_["level_dbm"] = intent_.level_dbm;
    }
    action.intent = intent_;
    action.ordinal = points_;
    action.at = at_;
    return action;
  }

  // What a pair of the board type depends on.
  void note_coordinates(const BringUp& bring_up, const std::string& check) {
    const auto found = bring_up.pairs.find(check);
    if (found == bring_up.pairs.end()) return;
    const Carrier carrier = found->second.at;
    if (carrier != Carrier::rf) at_["lo_hz"] = intent_.lo_hz();
    if (carrier != Carrier::lo) {
      at_["rf_hz"] = intent_.rf_hz;
      at_["level_dbm"] = intent_.level_dbm;
    }
    if (carrier == Carrier::intermediate) at_["offset_hz"] = intent_.rf_hz - intent_.lo_hz();
  }

  const BoardType& type_;
  Intent intent_;
  std::map<std::string, double> at_;
  std::uint64_t points_ = 0;
};

void collect(const std::vector<Step>& steps, const BoardType& type, Needs& needs) {
  for (const Step& step : steps) {
    if (const auto* what = std::get_if<VoltsStep>(&step.what)) {
      for (const std::string& point : what->at) needs.volts.emplace(point, step.pointer);
    }
    if (const auto* what = std::get_if<OhmsStep>(&step.what)) {
      for (const std::string& each : what->checks) needs.ohms.emplace(each, step.pointer);
    }
    if (const auto* what = std::get_if<AskStep>(&step.what)) {
      needs.questions.emplace(what->id, step.pointer);
    }
    if (const auto* what = std::get_if<MatchStep>(&step.what)) {
      needs.matches.emplace(what->at, step.pointer);
    }
    if (const auto* what = std::get_if<PairStep>(&step.what)) {
      for (const std::string& each : what->checks) needs.checks.emplace(each, step.pointer);
      if (what->checks.empty()) {
        needs.outputs.emplace(what->first.empty() ? type.i_point : what->first, step.pointer);
        needs.outputs.emplace(what->second.empty() ? type.q_point : what->second, step.pointer);
      }
    }
    needs.supply = needs.supply || std::holds_alternative<PowerStep>(step.what);
    if (const auto* what = std::get_if<SweepStep>(&step.what)) collect(what->body, type, needs);
    if (const auto* what = std::get_if<RepeatStep>(&step.what)) collect(what->body, type, needs);
  }
}

}  // namespace

Plan::Plan(Script script, BoardType type) : script_(std::move(script)), type_(std::move(type)) {
  const Count all = count(script_.steps);
  actions_ = all.actions;
  points_ = all.points;
}

Action Plan::action(std::uint64_t n) const {
  Action action = Descent(type_).to(script_.steps, n);
  action.index = n;
  return action;
}

Needs Plan::needs() const {
  Needs needs;
  collect(script_.steps, type_, needs);
  return needs;
}

const Limits& limits_for(const BoardType& type, const Intent& intent) {
  static const Limits kNone;
  return intent.harmonic == 1 ? type.limits : kNone;
}

std::map<std::string, std::string> Plan::volts_points() const { return needs().volts; }
bool Plan::uses_supply() const { return needs().supply; }
bool Plan::uses_pairs() const { return !needs().outputs.empty(); }

}  // namespace nightbench::script
