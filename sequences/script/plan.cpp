#include "sequences/script/plan.hpp"

#include <algorithm>
#include <limits>

namespace nightbench::script {
namespace {

struct Count {
  std::uint64_t actions = 0;
  std::uint64_t points = 0;
};

constexpr std::uint64_t kMostActions = 1'000'000'000'000;

// Counts stop at the largest number instead of wrapping round: nested loops of a few lines can ask
// for more than 2^64 points. check() refuses such a plan.
std::uint64_t product(std::uint64_t a, std::uint64_t b) {
  constexpr std::uint64_t kMost = std::numeric_limits<std::uint64_t>::max();
  return b != 0 && a > kMost / b ? kMost : a * b;
}
std::uint64_t sum(std::uint64_t a, std::uint64_t b) {
  constexpr std::uint64_t kMost = std::numeric_limits<std::uint64_t>::max();
  return a > kMost - b ? kMost : a + b;
}

Count count(const std::vector<Step>& steps);

std::uint64_t combinations(const SweepStep& sweep) {
  std::uint64_t all = 1;
  for (const Range& range : sweep.over) all = product(all, range.values.size());
  return all;
}

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
  return {1, std::holds_alternative<AskStep>(step.what) ? 1U : 0U};
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

// Sets the axes of the n-th combination, outermost range slowest.
void choose(const SweepStep& sweep, std::uint64_t n, Intent& intent) {
  for (auto range = sweep.over.rbegin(); range != sweep.over.rend(); ++range) {
    const double value = range->values[n % range->values.size()];
    n /= range->values.size();
    switch (range->axis) {
      case Axis::rf: intent.rf_hz = value; break;
      case Axis::offset: intent.offset_hz = value; break;
      case Axis::level:
        intent.level_dbm = value;
        intent.level_known = true;
        break;
    }
  }
  intent.rf_on = true;
  intent.lo_on = true;
}

void apply(const PowerStep& power, const BoardType& type, Intent& intent) {
  intent.supply_on = power.on;
  if (!power.on) return;
  intent.supply_v = power.volts.value_or(type.supply_v);
  intent.supply_limit_a = power.limit_a.value_or(type.supply_limit_a);
  intent.soft_start_s = power.soft_start_s;
}

void apply(const DriveStep& drive, Intent& intent) {
  if (drive.rf_hz) intent.rf_hz = *drive.rf_hz;
  if (drive.level_dbm) {
    intent.level_dbm = *drive.level_dbm;
    intent.level_known = true;
  }
  if (drive.offset_hz) intent.offset_hz = *drive.offset_hz;
  if (drive.lo_hz) {
    intent.lo_fixed_hz = *drive.lo_hz;
    intent.offset_hz = 0;
  }
  intent.rf_on = drive.rf_on.value_or(drive.rf_hz || drive.level_dbm ? true : intent.rf_on);
  intent.lo_on = drive.lo_on.value_or(drive.lo_hz || drive.offset_hz ? true : intent.lo_on);
}

// The state after the whole step. Every step only sets things, so the last round of a loop decides.
void leave(const std::vector<Step>& steps, const BoardType& type, Intent& intent);

void leave(const Step& step, const BoardType& type, Intent& intent) {
  if (const auto* power = std::get_if<PowerStep>(&step.what)) apply(*power, type, intent);
  if (const auto* drive = std::get_if<DriveStep>(&step.what)) apply(*drive, intent);
  if (const auto* repeat = std::get_if<RepeatStep>(&step.what)) leave(repeat->body, type, intent);
  if (const auto* sweep = std::get_if<SweepStep>(&step.what)) {
    choose(*sweep, combinations(*sweep) - 1, intent);
    leave(sweep->body, type, intent);
  }
}

void leave(const std::vector<Step>& steps, const BoardType& type, Intent& intent) {
  for (const Step& step : steps) leave(step, type, intent);
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
    if (const auto* pair = std::get_if<PairStep>(&step.what); pair && !pair->checks.empty()) {
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
    if (action.kind == ActionKind::pair) {
      at_["rf_hz"] = intent_.rf_hz;
      at_["lo_hz"] = intent_.lo_hz();
      at_["offset_hz"] = intent_.rf_hz - intent_.lo_hz();
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

class Checker {
 public:
  Checker(const Plan& plan, const SafeLimits& safe) : plan_(plan), safe_(safe) {}

  Result<void> steps(const std::vector<Step>& all, Intent& intent) {
    for (const Step& step : all) TRY(one(step, intent));
    return {};
  }

 private:
  std::unexpected<Error> wrong(const Step& step, std::string message) const {
    Error error;
    error.kind = ErrorKind::bad_input;
    error.file = plan_.script().file;
    error.pointer = step.pointer;
    error.message = std::move(message);
    return fail(std::move(error));
  }

  Result<void> level(const Step& step, double dbm) const {
    const BoardType& type = plan_.board_type();
    if (dbm > type.rf_level_most_dbm) {
      return wrong(step, "a level of " + format(dbm, Unit::dbm) + " is above the " +
                             format(type.rf_level_most_dbm, Unit::dbm) + " the board type allows");
    }
    if (dbm > safe_.rf_level_most_dbm) {
      return wrong(step, "a level of " + format(dbm, Unit::dbm) + " is above the " +
                             format(safe_.rf_level_most_dbm, Unit::dbm) + " the bench allows");
    }
    return {};
  }

  template <typename Thing>
  Result<void> listed(const Step& step, const std::map<std::string, Thing>& all, const char* what,
                      const std::string& name) const {
    if (all.contains(name)) return {};
    std::vector<std::string> names;
    for (const auto& [id, ignored] : all) names.push_back(id);
    std::string message = "board type \"" + plan_.board_type().name + "\" has no " + what + " \"" +
                          name + "\"";
    if (const auto close = json::nearest(name, names)) {
      message += "; did you mean \"" + *close + "\"?";
    }
    return wrong(step, message);
  }

  Result<void> known(const Step& step, const std::string& point) const {
    return listed(step, plan_.board_type().test_points, "test point", point);
  }

  Result<void> ohms(const Step& step, const OhmsStep& what, const Intent& intent) const {
    for (const std::string& each : what.checks) {
      TRY(listed(step, plan_.board_type().bring_up.resistances, "resistance", each));
    }
    if (intent.supply_on) return wrong(step, "ohms are measured here with the supply on");
    if (intent.rf_on || intent.lo_on) {
      return wrong(step, "ohms are measured here with the RF or LO output on");
    }
    return {};
  }

  Result<void> checks(const Step& step, const PairStep& what, const Intent& intent) const {
    for (const std::string& each : what.checks) {
      TRY(listed(step, plan_.board_type().bring_up.pairs, "pair", each));
      TRY(check(step, plan_.board_type().bring_up.pairs.at(each), intent));
    }
    return {};
  }

  Result<void> check(const Step& step, const PairCheck& pair, const Intent& intent) const {
    const std::string name = "the pair \"" + pair.id + "\" is measured here ";
    if (pair.powered != intent.supply_on) {
      return wrong(step, name + "with the supply " + (intent.supply_on ? "on" : "off") +
                             ", the board type wants it " + (pair.powered ? "on" : "off"));
    }
    if (pair.at != Carrier::lo) {
      if (intent.rf_hz <= 0 || !intent.level_known || !intent.rf_on) {
        return wrong(step, name + "without RF: no earlier step has set its frequency and level, or "
                                  "it is off");
      }
    }
    if (pair.at != Carrier::rf && (!intent.lo_on || !(intent.lo_hz() > 0))) {
      return wrong(step, name + "without an LO");
    }
    if (pair.at == Carrier::intermediate && intent.lo_hz() == intent.rf_hz) {
      return wrong(step, name + "where RF and LO leave no IF");
    }
    return {};
  }

  Result<void> power(const Step& step, const PowerStep& what, Intent& intent) const {
    apply(what, plan_.board_type(), intent);
    if (!what.on) return {};
    if (intent.supply_v > safe_.supply_most_v) {
      return wrong(step, format(intent.supply_v, Unit::volt) + " is above the " +
                             format(safe_.supply_most_v, Unit::volt) + " the bench allows");
    }
    if (intent.supply_limit_a > safe_.supply_most_a) {
      return wrong(step, "a current limit of " + format(intent.supply_limit_a, Unit::ampere) +
                             " is above the " + format(safe_.supply_most_a, Unit::ampere) +
                             " the bench allows");
    }
    return {};
  }

  Result<void> pair(const Step& step, const PairStep& what, const Intent& intent) const {
    if (!what.first.empty()) TRY(known(step, what.first));
    if (!what.second.empty()) TRY(known(step, what.second));
    const bool lo_known = intent.offset_hz != 0 || intent.lo_fixed_hz != 0;
    if (intent.rf_hz <= 0 || !intent.level_known || !lo_known) {
      return wrong(step, "a pair is measured here, but no earlier step has set the RF frequency, its "
                         "level and the LO");
    }
    if (!intent.rf_on) return wrong(step, "a pair is measured here with the RF output off");
    if (!intent.lo_on) return wrong(step, "a pair is measured here with the LO output off");
    if (!(intent.lo_hz() > 0) || intent.lo_hz() == intent.rf_hz) {
      return wrong(step, "RF and LO leave no IF here: the LO would be at " +
                             format(intent.lo_hz(), Unit::hertz, 9));
    }
    if (!intent.supply_on) return wrong(step, "a pair is measured here with the supply off");
    return {};
  }

  Result<void> one(const Step& step, Intent& intent) {
    if (const auto* what = std::get_if<PowerStep>(&step.what)) return power(step, *what, intent);
    if (const auto* what = std::get_if<VoltsStep>(&step.what)) {
      for (const std::string& point : what->at) TRY(known(step, point));
      return {};
    }
    if (const auto* what = std::get_if<DriveStep>(&step.what)) {
      if (what->level_dbm) TRY(level(step, *what->level_dbm));
      apply(*what, intent);
      return {};
    }
    if (const auto* what = std::get_if<PairStep>(&step.what)) {
      return what->checks.empty() ? pair(step, *what, intent) : checks(step, *what, intent);
    }
    if (const auto* what = std::get_if<OhmsStep>(&step.what)) return ohms(step, *what, intent);
    if (const auto* what = std::get_if<AskStep>(&step.what)) {
      if (what->part.empty()) return {};
      return listed(step, plan_.board_type().bring_up.parts, "part", what->part);
    }
    if (const auto* what = std::get_if<RepeatStep>(&step.what)) {
      TRY(steps(what->body, intent));
      // The second round starts from what the first has left; later ones start like the second.
      if (what->times > 1) TRY(steps(what->body, intent));
      return {};
    }
    if (const auto* what = std::get_if<SweepStep>(&step.what)) return sweep(step, *what, intent);
    return {};
  }

  // Tries the body with the combinations that can go wrong: the first, the one with the lowest LO,
  // and one where the RF meets an LO that stands still.
  Result<void> sweep(const Step& step, const SweepStep& what, Intent& intent) {
    for (const Range& range : what.over) {
      if (range.axis != Axis::level) continue;
      TRY(level(step, *std::max_element(range.values.begin(), range.values.end())));
    }
    choose(what, 0, intent);
    TRY(steps(what.body, intent));
    const std::uint64_t all = combinations(what);
    if (all == 1) return {};
    choose(what, 0, intent);
    for (const Range& range : what.over) {
      const auto [least, most] = std::minmax_element(range.values.begin(), range.values.end());
      if (range.axis == Axis::rf) intent.rf_hz = *least;
      if (range.axis == Axis::offset) intent.offset_hz = *most;
    }
    TRY(steps(what.body, intent));
    choose(what, 0, intent);
    const double still = intent.offset_hz == 0 ? intent.lo_fixed_hz : 0;
    for (const Range& range : what.over) {
      if (range.axis != Axis::rf) continue;
      if (std::find(range.values.begin(), range.values.end(), still) == range.values.end())
        continue;
      intent.rf_hz = still;
      TRY(steps(what.body, intent));
    }
    choose(what, all - 1, intent);
    leave(what.body, plan_.board_type(), intent);
    return {};
  }

  const Plan& plan_;
  const SafeLimits& safe_;
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

std::map<std::string, std::string> Plan::volts_points() const { return needs().volts; }
bool Plan::uses_supply() const { return needs().supply; }
bool Plan::uses_pairs() const { return !needs().outputs.empty(); }

Result<void> check(const Plan& plan, const SafeLimits& safe) {
  const Script& script = plan.script();
  if (!script.board_type.empty() && script.board_type != plan.board_type().name) {
    Error error;
    error.kind = ErrorKind::bad_input;
    error.file = script.file;
    error.pointer = "/board_type";
    error.message = "the script is for board type \"" + script.board_type +
                    "\", the one given is \"" + plan.board_type().name + "\"";
    return fail(std::move(error));
  }
  if (plan.actions() > kMostActions) {
    Error error;
    error.kind = ErrorKind::bad_input;
    error.file = script.file;
    error.pointer = "/steps";
    error.message = "the sweeps and repeats unroll to more than a million million actions";
    return fail(std::move(error));
  }
  Intent intent;
  return Checker(plan, safe).steps(script.steps, intent);
}

}  // namespace nightbench::script
