// A plan looked at as a whole, before any instrument is touched.
#include <algorithm>

#include "sequences/script/plan.hpp"
#include "sequences/script/unroll.hpp"

namespace nightbench::script {
namespace {

constexpr std::uint64_t kMostActions = 1'000'000'000'000;

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
    return converts(step, intent);
  }

  // Whether the board makes an IF.
  Result<void> converts(const Step& step, const Intent& intent) const {
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
    if (const auto* what = std::get_if<MatchStep>(&step.what)) {
      TRY(known(step, what->at));
      return converts(step, intent);
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

}  // namespace

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
