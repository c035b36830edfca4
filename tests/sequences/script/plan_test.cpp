#include "sequences/script/plan.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <cstdlib>
#include <limits>
#include <random>

#include "counted_memory.hpp"
#include "script_helpers.hpp"

namespace nightbench::script {

bool operator==(const Intent& a, const Intent& b) {
  return a.supply_on == b.supply_on && a.supply_v == b.supply_v &&
         a.supply_limit_a == b.supply_limit_a && a.soft_start_s == b.soft_start_s && a.rf_on == b.rf_on && a.rf_hz == b.rf_hz &&
         a.level_dbm == b.level_dbm && a.level_known == b.level_known && a.lo_on == b.lo_on &&
         a.offset_hz == b.offset_hz && a.lo_fixed_hz == b.lo_fixed_hz &&
         a.harmonic == b.harmonic;
}

void PrintTo(const Intent& intent, std::ostream* out) {
  *out << "supply " << intent.supply_on << ' ' << intent.supply_v << " V " << intent.supply_limit_a
       << " A, rf " << intent.rf_on << ' ' << intent.rf_hz << " Hz " << intent.level_dbm << " dBm ("
       << intent.level_known << "), lo " << intent.lo_on << ' ' << intent.lo_fixed_hz
       << " Hz, offset " << intent.offset_hz << " Hz";
}

namespace {

using testing::heron;
using testing::script_of;

// The reference: executes the script as written, loop by loop, and notes every action.
class Walk {
 public:
  Walk(const Script& script, const BoardType& type) : type_(type) { steps(script.steps); }
  const std::vector<Action>& actions() const { return actions_; }
  std::uint64_t points() const { return points_; }

 private:
  void steps(const std::vector<Step>& all) {
    for (const Step& step : all) std::visit([&](const auto& what) { one(step, what); }, step.what);
  }
  Action& note(const Step& step, ActionKind kind) {
    Action action;
    action.kind = kind;
    action.step = &step;
    action.intent = now_;
    action.ordinal = points_;
    for (std::size_t i = 0; i < rounds_.size(); ++i) {
      action.at[i == 0 ? "repeat" : "repeat_" + std::to_string(i + 1)] = rounds_[i];
    }
    actions_.push_back(action);
    return actions_.back();
  }
  void one(const Step& step, const PowerStep& power) {
    now_.supply_on = power.on;
    if (power.on) {
      now_.supply_v = power.volts ? *power.volts : type_.supply_v;
      now_.supply_limit_a = power.limit_a ? *power.limit_a : type_.supply_limit_a;
      now_.soft_start_s = power.soft_start_s;
    }
    note(step, ActionKind::power);
    if (power.on) ++points_;
  }
  void one(const Step& step, const DriveStep& drive) {
    if (drive.rf_hz) now_.rf_hz = *drive.rf_hz;
    if (drive.level_dbm) now_.level_dbm = *drive.level_dbm;
    if (drive.level_dbm) now_.level_known = true;
    if (drive.offset_hz) now_.offset_hz = *drive.offset_hz;
    if (drive.lo_hz) {
      now_.lo_fixed_hz = *drive.lo_hz;
      now_.offset_hz = 0;
    }
    if (drive.rf_hz || drive.level_dbm) now_.rf_on = true;
    if (drive.lo_hz || drive.offset_hz) now_.lo_on = true;
    if (drive.rf_on) now_.rf_on = *drive.rf_on;
    if (drive.lo_on) now_.lo_on = *drive.lo_on;
    note(step, ActionKind::drive);
  }
  void one(const Step& step, const VoltsStep& volts) {
    for (const std::string& point : volts.at) {
      note(step, ActionKind::volts).test_point = point;
      ++points_;
    }
  }
  void one(const Step& step, const AskStep&) {
    note(step, ActionKind::ask);
    ++points_;
  }
  void one(const Step& step, const OhmsStep& ohms) {
    for (const std::string& each : ohms.checks) {
      note(step, ActionKind::ohms).check = each;
      ++points_;
    }
  }
  void one(const Step& step, const PairStep& pair) {
    if (!pair.checks.empty()) return checks(step, pair);
    const Intent before = now_;
    if (pair.harmonic != 1) {
      const double lo_hz = before.lo_hz();
      now_.rf_hz = pair.harmonic * lo_hz + (before.rf_hz - lo_hz);
      now_.lo_fixed_hz = lo_hz;
      now_.offset_hz = 0;
      now_.harmonic = pair.harmonic;
    }
    Action& action = note(step, ActionKind::pair);
    if (pair.harmonic != 1) action.at["harmonic"] = pair.harmonic;
    place(action);
    now_ = before;
  }
  void one(const Step& step, const MatchStep& match) {
    Action& action = note(step, ActionKind::match);
    action.test_point = match.at;
    place(action);
  }
  void place(Action& action) {
    action.at["rf_hz"] = now_.rf_hz;
    action.at["lo_hz"] = now_.lo_hz();
    action.at["offset_hz"] = now_.rf_hz - now_.harmonic * now_.lo_hz();
    action.at["level_dbm"] = now_.level_dbm;
    ++points_;
  }
  void checks(const Step& step, const PairStep& pair) {
    for (const std::string& each : pair.checks) {
      Action& action = note(step, ActionKind::check);
      action.check = each;
      const Carrier carrier = type_.bring_up.pairs.at(each).at;
      if (carrier == Carrier::lo || carrier == Carrier::intermediate) action.at["lo_hz"] = now_.lo_hz();
      if (carrier == Carrier::rf || carrier == Carrier::intermediate) {
        action.at["rf_hz"] = now_.rf_hz;
        action.at["level_dbm"] = now_.level_dbm;
      }
      if (carrier == Carrier::intermediate) action.at["offset_hz"] = now_.rf_hz - now_.lo_hz();
      ++points_;
    }
  }
  void one(const Step& step, const WaitStep&) { note(step, ActionKind::wait); }
  void one(const Step&, const SweepStep& sweep) { axis(sweep, 0); }
  void axis(const SweepStep& sweep, std::size_t level) {
    if (level == sweep.over.size()) {
      // Every axis is set anew at each combination, whatever the body has changed.
      for (std::size_t i = 0; i < sweep.over.size(); ++i) {
        const double value = chosen_[chosen_.size() - sweep.over.size() + i];
        if (sweep.over[i].axis == Axis::rf) now_.rf_hz = value;
        if (sweep.over[i].axis == Axis::offset) now_.offset_hz = value;
        if (sweep.over[i].axis != Axis::level) continue;
        now_.level_dbm = value;
        now_.level_known = true;
      }
      now_.rf_on = true;
      now_.lo_on = true;
      steps(sweep.body);
      return;
    }
    for (const double value : sweep.over[level].values) {
      chosen_.push_back(value);
      axis(sweep, level + 1);
      chosen_.pop_back();
    }
  }
  void one(const Step&, const RepeatStep& repeat) {
    for (std::uint64_t round = 1; round <= repeat.times; ++round) {
      rounds_.push_back(static_cast<double>(round));
      steps(repeat.body);
      rounds_.pop_back();
    }
  }

  const BoardType& type_;
  Intent now_;
  std::vector<double> rounds_, chosen_;
  std::vector<Action> actions_;
  std::uint64_t points_ = 0;
};

void expect_same(const Action& found, const Action& expected) {
  EXPECT_EQ(found.kind, expected.kind);
  EXPECT_EQ(found.step, expected.step);
  EXPECT_EQ(found.intent, expected.intent);
  EXPECT_EQ(found.test_point, expected.test_point);
  EXPECT_EQ(found.check, expected.check);
  EXPECT_EQ(found.at, expected.at);
  EXPECT_EQ(found.measures(), expected.measures());
  if (expected.measures()) {
    EXPECT_EQ(found.ordinal, expected.ordinal);
  }
}

// Random steps: every kind, every member present or absent, loops up to three deep.
class Maker {
 public:
  explicit Maker(std::uint32_t seed) : random_(seed) {}

  std::vector<Step> steps(int depth) {
    std::vector<Step> all;
    const int count = pick(1, 4);
    for (int i = 0; i < count; ++i) all.push_back(step(depth));
    return all;
  }

 private:
  int pick(int least, int most) { return std::uniform_int_distribution(least, most)(random_); }
  bool coin() { return pick(0, 1) == 1; }
  std::optional<double> maybe(double least, double most) {
    if (coin()) return std::nullopt;
    return least + (most - least) * pick(0, 1000) / 1000.0;
  }
  std::optional<bool> maybe_switch() {
    if (pick(0, 2) != 0) return std::nullopt;
    return coin();
  }

  Step step(int depth) {
    Step made;
    switch (pick(0, depth < 3 ? 11 : 8)) {
      case 0:
        made.what = PowerStep{coin(), maybe(1, 12), maybe(0.01, 0.2), maybe(0, 1).value_or(0)};
        break;
      case 1: {
        DriveStep drive{maybe(1e6, 2e6), maybe(-80, -20), maybe(1e3, 9e3), {},
                        maybe_switch(),  maybe_switch()};
        if (!drive.offset_hz) drive.lo_hz = maybe(1e6, 2e6);
        made.what = drive;
        break;
      }
      case 2: {
        VoltsStep volts;
        for (int i = pick(1, 3); i > 0; --i) volts.at.push_back("point_" + std::to_string(i));
        made.what = volts;
        break;
      }
      case 3:
        made.what = PairStep{};
        break;
      case 4:
        made.what = WaitStep{0.1};
        break;
      case 5:
        made.what = AskStep{"question", "Question", "Is it so?", ""};
        break;
      case 6:
        made.what = OhmsStep{pick(0, 1) == 0 ? std::vector<std::string>{"cross_6_13"}
                                             : std::vector<std::string>{"via_0", "op_amp_short"}};
        break;
      case 7: {
        PairStep pair;
        pair.checks = coin() ? std::vector<std::string>{"lo"}
                             : std::vector<std::string>{"switch_0_180", "splitter", "inputs"};
        made.what = pair;
        break;
      }
      case 8:
        made.what = MatchStep{"i_out"};
        break;
      case 9:
        made.what = RepeatStep{static_cast<std::uint64_t>(pick(1, 3)), steps(depth + 1)};
        break;
      default:
        made.what = sweep(depth);
    }
    return made;
  }

  SweepStep sweep(int depth) {
    SweepStep made;
    std::vector<Axis> axes{Axis::rf, Axis::offset, Axis::level};
    std::shuffle(axes.begin(), axes.end(), random_);
    axes.resize(static_cast<std::size_t>(pick(1, 3)));
    for (const Axis axis : axes) {
      Range range{axis, {}};
      for (int i = pick(1, 3); i > 0; --i) range.values.push_back(pick(1, 1000));
      made.over.push_back(range);
    }
    made.body = steps(depth + 1);
    return made;
  }

  std::mt19937 random_;
};

TEST(Plan, TheNthActionIsThatOfANaiveWalk) {
  const char* wanted = std::getenv("NIGHTBENCH_TEST_SEED");
  const auto start = wanted != nullptr
                         ? static_cast<std::uint32_t>(std::strtoul(wanted, nullptr, 10))
                         : std::random_device()();
  const BoardType type = heron();
  std::uint64_t compared = 0;
  for (std::uint32_t i = 0; i < 150; ++i) {
    const std::uint32_t seed = start + i;
    SCOPED_TRACE("NIGHTBENCH_TEST_SEED=" + std::to_string(seed));
    Script script;
    script.steps = Maker(seed).steps(0);
    const Plan plan(std::move(script), type);
    const Walk walk(plan.script(), type);
    ASSERT_EQ(plan.actions(), walk.actions().size());
    ASSERT_EQ(plan.points(), walk.points());
    // All of a small plan, a share of a large one.
    const std::uint64_t stride = 1 + plan.actions() / 400;
    for (std::uint64_t n = 0; n < plan.actions(); n += stride) {
      expect_same(plan.action(n), walk.actions()[n]);
      ++compared;
      if (HasFailure()) FAIL() << "action " << n << " of " << plan.actions();
    }
  }
  EXPECT_GT(compared, 1000U);
}

TEST(Plan, CountsActionsAndPoints) {
  const Plan plan(script_of(R"([
    {"step": "power", "output": "on"},
    {"step": "volts", "at": ["op_amp_supply", "mid_rail"]},
    {"step": "sweep", "over": [{"axis": "offset", "list": [5000, -5000]},
                               {"axis": "rf", "from": "10.1 MHz", "to": "10.15 MHz", "points": 26}],
     "do": [{"step": "pair"}, {"step": "wait", "for": 0}]},
    {"step": "repeat", "times": 3, "do": [{"step": "drive"}, {"step": "power", "output": "off"}]}])"),
                  heron());
  EXPECT_EQ(plan.actions(), 1U + 2U + 2U * 26U * 2U + 3U * 2U);
  EXPECT_EQ(plan.points(), 1U + 2U + 2U * 26U);
}

TEST(Plan, TheOutermostRangeIsTheSlowest) {
  const Plan plan(script_of(R"([{"step": "sweep", "do": [{"step": "pair"}],
      "over": [{"axis": "offset", "list": [1, 2]}, {"axis": "rf", "list": [10, 20, 30]}]}])"),
                  heron());
  std::vector<std::pair<double, double>> order;
  for (std::uint64_t n = 0; n < plan.actions(); ++n) {
    order.emplace_back(plan.action(n).intent.offset_hz, plan.action(n).intent.rf_hz);
  }
  EXPECT_EQ(order, (std::vector<std::pair<double, double>>{
                       {1, 10}, {1, 20}, {1, 30}, {2, 10}, {2, 20}, {2, 30}}));
}

TEST(Plan, SettingsFoldIntoTheIntent) {
  const Plan plan(script_of(R"([
    {"step": "power", "output": "on", "voltage": "9 V"},
    {"step": "drive", "rf": "10.12 MHz", "level": "-40 dBm", "offset": "5 kHz"},
    {"step": "drive", "lo": "10.1 MHz", "rf_output": "off"},
    {"step": "drive", "level": "-50 dBm"},
    {"step": "power", "output": "off"}])"),
                  heron());
  Intent expected;
  expected.supply_on = true;
  expected.supply_v = 9;
  expected.supply_limit_a = 0.15;
  EXPECT_EQ(plan.action(0).intent, expected) << "the board type's current limit";
  expected.rf_on = expected.lo_on = expected.level_known = true;
  expected.rf_hz = 10.12e6;
  expected.level_dbm = -40;
  expected.offset_hz = 5e3;
  EXPECT_EQ(plan.action(1).intent, expected);
  EXPECT_EQ(plan.action(1).intent.lo_hz(), 10.115e6);
  expected.lo_fixed_hz = 10.1e6;
  expected.offset_hz = 0;
  expected.rf_on = false;
  EXPECT_EQ(plan.action(2).intent, expected);
  EXPECT_EQ(plan.action(2).intent.lo_hz(), 10.1e6);
  expected.level_dbm = -50;
  expected.rf_on = true;
  EXPECT_EQ(plan.action(3).intent, expected) << "a level turns the source on again";
  expected.supply_on = false;
  EXPECT_EQ(plan.action(4).intent, expected);
}

TEST(Plan, NestedRepeatsHaveCoordinatesOfTheirOwn) {
  const Plan plan(script_of(R"([{"step": "repeat", "times": 2, "do": [
      {"step": "repeat", "times": 3, "do": [{"step": "volts", "at": "mid_rail"}]}]}])"),
                  heron());
  EXPECT_EQ(plan.action(4).at, (std::map<std::string, double>{{"repeat", 2}, {"repeat_2", 2}}));
  EXPECT_EQ(plan.action(4).ordinal, 4U);
  EXPECT_EQ(plan.action(4).test_point, "mid_rail");
}

TEST(Plan, SwitchingTheSupplyOnIsAPointAndOffIsNot) {
  const Plan plan(
      script_of(R"([{"step": "power", "output": "on"}, {"step": "power", "output": "off"},
                                {"step": "volts", "at": "mid_rail"}])"),
      heron());
  EXPECT_TRUE(plan.action(0).measures());
  EXPECT_FALSE(plan.action(1).measures());
  EXPECT_EQ(plan.action(2).ordinal, 1U);
}

TEST(Plan, TenMillionPointsTakeNoMemoryAndAnyIsThereAtOnce) {
  Script script = script_of(R"([
    {"step": "power", "output": "on"},
    {"step": "repeat", "times": 1000, "do": [
      {"step": "sweep", "over": [{"axis": "offset", "list": [5000, -5000]},
                                 {"axis": "level", "from": -60, "to": -40, "points": 5},
                                 {"axis": "rf", "from": 1e7, "to": 1.0999e7, "points": 1000}],
       "do": [{"step": "pair"}]}]}])");
  BoardType type = heron();
  const std::size_t before = nightbench::testing::allocated_bytes();
  const Plan plan(std::move(script), std::move(type));
  EXPECT_LT(nightbench::testing::allocated_bytes() - before, 10'000U);
  ASSERT_EQ(plan.points(), 10'000'001U);
  ASSERT_EQ(plan.actions(), 10'000'001U);
  std::mt19937_64 random(1);
  for (int i = 0; i < 2'000; ++i) {
    const std::uint64_t n = i < 2 ? (i == 0 ? 1 : 10'000'000) : 1 + random() % 10'000'000;
    const std::size_t start = nightbench::testing::allocated_bytes();
    const Action action = plan.action(n);
    EXPECT_LT(nightbench::testing::allocated_bytes() - start, 10'000U);
    const std::uint64_t k = n - 1;
    ASSERT_EQ(action.ordinal, n);
    ASSERT_EQ(action.at.at("repeat"), static_cast<double>(k / 10'000 + 1));
    ASSERT_EQ(action.intent.offset_hz, k / 5'000 % 2 == 0 ? 5000 : -5000);
    ASSERT_NEAR(action.intent.level_dbm, -60 + 5 * static_cast<double>(k / 1'000 % 5), 1e-12);
    ASSERT_NEAR(action.intent.rf_hz, 1e7 + 1e3 * static_cast<double>(k % 1'000), 1e-6);
    ASSERT_TRUE(action.intent.supply_on);
  }
}

TEST(Plan, CountsStopInsteadOfWrappingRound) {
  std::string steps = R"([{"step": "wait", "for": 0}])";
  for (int i = 0; i < 8; ++i) {
    steps = R"([{"step": "repeat", "times": 1000000, "do": )" + steps + "}]";
  }
  const Plan plan(script_of(steps), heron());
  EXPECT_EQ(plan.actions(), std::numeric_limits<std::uint64_t>::max());
  EXPECT_EQ(plan.points(), 0U);
  EXPECT_EQ(plan.action(5).kind, ActionKind::wait) << "whoever asks must not divide by zero";
}

TEST(Plan, TellsWhatItUses) {
  const Plan plan(script_of(R"([{"step": "repeat", "times": 2, "do": [
      {"step": "volts", "at": ["mid_rail", "op_amp_supply"]}, {"step": "volts", "at": "mid_rail"}]}])"),
                  heron());
  EXPECT_EQ(plan.volts_points(),
            (std::map<std::string, std::string>{{"mid_rail", "/steps/0/do/0"},
                                                {"op_amp_supply", "/steps/0/do/0"}}));
  EXPECT_FALSE(plan.uses_supply());
  EXPECT_FALSE(plan.uses_pairs());
  const Plan other(script_of(R"([{"step": "power", "output": "on"},
      {"step": "sweep", "over": [{"axis": "rf", "list": [1]}], "do": [{"step": "pair"}]}])"),
                   heron());
  EXPECT_TRUE(other.volts_points().empty());
  EXPECT_TRUE(other.uses_supply());
  EXPECT_TRUE(other.uses_pairs());
}

}  // namespace
}  // namespace nightbench::script
