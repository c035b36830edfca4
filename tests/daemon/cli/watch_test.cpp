// Watching a value while the board is worked on, on virtual time: the iron is a board put in place
// of another.
#include "sequences/engine/watch.hpp"

#include <gtest/gtest.h>

#include "bring_up.hpp"
#include "daemon/cli/watch_screen.hpp"

namespace nightbench::cli {
namespace {

using namespace testing;  // NOLINT: the helpers of this folder's tests
using engine::Heading;
using engine::Trend;
using engine::WatchEnd;
using engine::WatchRound;

record::Reading reading(std::optional<double> value) {
  record::Reading out;
  out.title = "LO at the select pins, phase";
  out.unit = "deg";
  out.value = value;
  out.limit.lower = -100;
  out.limit.upper = -80;
  return out;
}

TEST(Trend, TicksOnAChangeAndNotOnNoise) {
  Trend trend;
  EXPECT_FALSE(trend.next(reading(-120))) << "the first value is no change";
  EXPECT_FALSE(trend.next(reading(-120.3)));
  EXPECT_FALSE(trend.next(reading(-119.8)));
  EXPECT_TRUE(trend.next(reading(-119.5))) << "0.5 deg is more than a fiftieth of 20 deg";
  EXPECT_FALSE(trend.next(reading(-119.5)));
  EXPECT_TRUE(trend.next(reading(std::nullopt))) << "gone";
  EXPECT_FALSE(trend.next(reading(std::nullopt)));
  EXPECT_TRUE(trend.next(reading(-90))) << "and back";
  EXPECT_EQ(trend.inside(), 1);
}

TEST(Trend, KnowsWhereAValueIsHeading) {
  Trend up;
  Trend down;
  Trend noisy;
  for (int n = 0; n < 5; ++n) {
    up.next(reading(-120 + 2 * n));
    down.next(reading(-80 - n));
    noisy.next(reading(-90 + (n % 2 == 0 ? 0.1 : -0.1)));
  }
  EXPECT_EQ(up.heading(), Heading::rising);
  EXPECT_EQ(down.heading(), Heading::falling);
  EXPECT_EQ(noisy.heading(), Heading::steady);
}

TEST(WatchScreen, BigFiguresAreFiveEqualRows) {
  EXPECT_EQ(big_figures("-1.0"), (std::vector<std::string>{
                                     "         #        #####",
                                     "        ##        #   #",
                                     "#####    #        #   #",
                                     "         #        #   #",
                                     "        ###   ##  #####",
                                 }));
}

TEST(WatchScreen, TheScaleShowsTheValueBetweenItsLimits) {
  EXPECT_EQ(scale_text(reading(-90)),
            "--------------------|---------*---------|--------------------");
  EXPECT_EQ(scale_text(reading(-200)),
            "<-------------------|-------------------|--------------------");
  EXPECT_EQ(scale_text(reading(std::nullopt)), "");
}

struct Watched {
  std::vector<WatchRound> rounds;
  Result<WatchEnd> end = WatchEnd::stopped;
  bool powered = false;  // at any round
};

Watched watch(VirtualBench& bench, const std::string& board, VirtualHand& hand,
              const std::string& what, const std::function<void(const WatchRound&)>& look) {
  const auto type = make_plan(R"({"script": "none", "steps": [{"step": "wait", "for": "1 s"}]})",
                              library_text("board_types/heron-30.json"));
  const auto text = engine::watch_script(type.board_type(), what, {});
  if (!text) throw std::runtime_error(describe(text.error()));
  const script::Plan plan = make_plan(*text, library_text("board_types/heron-30.json"));
  EXPECT_TRUE(engine::check_wiring(plan, bench.file()));
  EXPECT_TRUE(bench.simulation().place_board(board));
  bench::Bench* open = *bench.open();
  Watched out;
  engine::Watch watch(plan, *open, &hand, {});
  bench.run([&]() -> Awaitable<void> {
    out.end = co_await watch.run([&](const WatchRound& round) {
      out.powered = out.powered || bench.simulation().truth().supply_on;
      out.rounds.push_back(round);
      if (out.rounds.size() > 200) watch.request_stop();
      look(round);
    });
  });
  const auto truth = bench.simulation().truth();
  EXPECT_FALSE(truth.supply_on || truth.rf_on || truth.lo_on) << "off at the end";
  return out;
}

int ticks(const Watched& watched) {
  int out = 0;
  for (const WatchRound& round : watched.rounds) out += round.changed ? 1 : 0;
  return out;
}

std::string faulty(const std::string& fault) {
  return "\"H30-BAD\": {\"design\": \"30m\", \"faults\": [" + fault + "]},";
}

TEST(Watch, AVoltageIsWatchedSeveralTimesASecondUntilItIsGood) {
  const auto bench = hand_bench(faulty(R"({"fault": "bias-low", "factor": 0.5})"));
  VirtualHand hand(bench->simulation(), std::nullopt);
  const Watched seen = watch(*bench, "H30-BAD", hand, "mid_rail", [&](const WatchRound& round) {
    if (round.number == 10) {
      EXPECT_TRUE(bench->simulation().place_board("H30-001"));
    }
  });
  ASSERT_TRUE(seen.end) << describe(seen.end.error());
  EXPECT_EQ(*seen.end, WatchEnd::inside);
  ASSERT_EQ(seen.rounds.size(), 13U) << "three rounds inside after the repair";
  EXPECT_LT(*seen.rounds[9].shown.value, 2.0);
  EXPECT_NEAR(*seen.rounds[12].shown.value, 2.5, 0.1);
  EXPECT_EQ(ticks(seen), 1);
  EXPECT_TRUE(seen.rounds[10].changed);
  EXPECT_EQ(seen.rounds[10].heading, Heading::rising);
  EXPECT_NEAR(seen.rounds[12].elapsed_s - seen.rounds[0].elapsed_s, 12 * 0.25, 0.01);
}

TEST(Watch, APairIsWatchedAndTicksWhenItComesRight) {
  const auto bench = hand_bench(faulty(R"({"fault": "lo-in-phase"})"));
  VirtualHand hand(bench->simulation(), std::nullopt);
  const Watched seen = watch(*bench, "H30-BAD", hand, "lo", [&](const WatchRound& round) {
    if (round.number == 6) {
      EXPECT_TRUE(bench->simulation().place_board("H30-001"));
    }
  });
  ASSERT_TRUE(seen.end) << describe(seen.end.error());
  EXPECT_EQ(*seen.end, WatchEnd::inside);
  EXPECT_EQ(seen.rounds.size(), 9U);
  EXPECT_NEAR(*seen.rounds[0].shown.value, 0, 5) << "told within half a turn of -90";
  EXPECT_NEAR(*seen.rounds[8].shown.value, -90, 5);
  EXPECT_EQ(ticks(seen), 1);
  EXPECT_EQ(seen.rounds[0].others.size(), 4U);
}

TEST(Watch, AResistanceIsWatchedWithoutPower) {
  const auto bench = hand_bench(faulty(R"({"fault": "via-open", "pin": 6})"));
  VirtualHand hand(bench->simulation(), std::nullopt);
  const Watched seen = watch(*bench, "H30-BAD", hand, "via_0", [&](const WatchRound& round) {
    if (round.number == 4) {
      EXPECT_TRUE(bench->simulation().place_board("H30-001"));
    }
  });
  ASSERT_TRUE(seen.end) << describe(seen.end.error());
  EXPECT_EQ(seen.rounds.size(), 7U);
  EXPECT_FALSE(seen.powered);
  EXPECT_FALSE(hand.asked()[0].id == "before_power") << "no power, no question about it";
}

TEST(Watch, PowerStaysOffWhenTheChecksBeforeItAreNotAnsweredWithYes) {
  const auto bench = hand_bench();
  VirtualHand hand(bench->simulation(), std::nullopt);
  hand.answers["before_power"] = engine::Answer::no;
  const Watched seen = watch(*bench, "H30-001", hand, "lo", [](const WatchRound&) {});
  ASSERT_FALSE(seen.end);
  EXPECT_EQ(seen.end.error().kind, ErrorKind::unsafe);
  EXPECT_TRUE(seen.rounds.empty());
}

TEST(Watch, ATripEndsIt) {
  const auto bench =
      hand_bench(faulty(R"({"fault": "supply-short", "rail": "supply_in", "ohm": 2})"));
  VirtualHand hand(bench->simulation(), std::nullopt);
  // The iron slips before the value has stayed inside its limits for three rounds.
  const Watched seen =
      watch(*bench, "H30-001", hand, "op_amp_supply", [&](const WatchRound& round) {
        if (round.number == 2) {
          EXPECT_TRUE(bench->simulation().place_board("H30-BAD"));
        }
      });
  ASSERT_FALSE(seen.end);
  EXPECT_EQ(seen.end.error().kind, ErrorKind::unsafe);
  EXPECT_EQ(seen.rounds.size(), 2U);
}

TEST(Watch, AnUnknownNameIsToldWithTheNearest) {
  const auto plan = make_plan(R"({"script": "none", "steps": [{"step": "wait", "for": "1 s"}]})",
                              library_text("board_types/heron-30.json"));
  const auto text = engine::watch_script(plan.board_type(), "spliter", {});
  ASSERT_FALSE(text);
  EXPECT_NE(text.error().message.find("did you mean \"splitter\"?"), std::string::npos);
}

TEST(Watch, EveryPairResistanceAndTestPointOfTheLibraryMakesAScript) {
  const auto bench = hand_bench();
  const std::string type_text = library_text("board_types/heron-30.json");
  const auto plan =
      make_plan(R"({"script": "none", "steps": [{"step": "wait", "for": "1 s"}]})", type_text);
  const script::BoardType& type = plan.board_type();
  const auto check = [&](const std::string& name) {
    const auto text = engine::watch_script(type, name, {});
    ASSERT_TRUE(text) << name;
    const auto good = engine::check_wiring(make_plan(*text, type_text), bench->file());
    EXPECT_TRUE(good) << name << ": " << describe(good.error());
  };
  for (const auto& [id, each] : type.bring_up.pairs) check(id);
  for (const auto& [id, each] : type.bring_up.resistances) check(id);
  for (const auto& [id, each] : type.test_points) check(id);
}

}  // namespace
}  // namespace nightbench::cli
