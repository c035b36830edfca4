// Pieces of guided bring-up that need no bench: moves, drawings, ohms, the gate before power, and
// what the trade calls good.
#include <gtest/gtest.h>

#include <algorithm>
#include <limits>
#include <random>
#include <set>

#include "sequences/engine/check_pair.hpp"
#include "sequences/engine/context.hpp"
#include "sequences/engine/drawing.hpp"
#include "sequences/engine/judge.hpp"
#include "sequences/engine/ohms.hpp"
#include "sequences/engine/power_gate.hpp"
#include "sequences/engine/probes.hpp"
#include "sequences/reading/meter.hpp"
#include "tests/virtual_bench/virtual_bench.hpp"

namespace nightbench::engine {
namespace {

const script::BoardType& heron() {
  static const script::Plan plan =
      testing::make_plan(R"({"script": "none", "steps": [{"step": "wait", "for": "1 s"}]})",
                         testing::library_text("board_types/heron-30.json"));
  return plan.board_type();
}

// The fewest moves for a whole sequence of pairs, by trying every choice.
int fewest_by_trying(const std::array<std::string, 2>& at,
                     const std::vector<std::vector<std::string>>& pairs, std::size_t from) {
  if (from == pairs.size()) return 0;
  int best = std::numeric_limits<int>::max();
  for (const bool turned : {false, true}) {
    const std::array<std::string, 2> next{pairs[from][turned ? 1 : 0], pairs[from][turned ? 0 : 1]};
    const int here = (next[0] != at[0] ? 1 : 0) + (next[1] != at[1] ? 1 : 0);
    best = std::min(best, here + fewest_by_trying(next, pairs, from + 1));
  }
  return best;
}

TEST(FewestMoves, AsFewAsTryingEveryChoiceFinds) {
  for (std::uint64_t seed = 1; seed <= 200; ++seed) {
    std::mt19937_64 random(seed);
    std::vector<std::vector<std::string>> pairs;
    for (int n = 0; n < 8; ++n) {
      const std::uint64_t a = random() % 4;
      const std::uint64_t b = (a + 1 + random() % 3) % 4;
      pairs.push_back(
          {std::string(1, static_cast<char>('a' + a)), std::string(1, static_cast<char>('a' + b))});
    }
    std::vector<Probe> probes{{"scope/1", ""}, {"scope/2", ""}};
    int asked = 0;
    for (std::size_t n = 0; n < pairs.size(); ++n) {
      std::vector<std::string> later;
      for (std::size_t k = n + 1; k < pairs.size(); ++k) {
        later.insert(later.end(), pairs[k].begin(), pairs[k].end());
      }
      const auto moves = fewest_moves(probes, pairs[n], later);
      ASSERT_TRUE(moves);
      for (const Move& move : *moves) {
        for (Probe& probe : probes) {
          if (probe.port == move.port) probe.at = move.to;
        }
        ++asked;
      }
      for (const std::string& point : pairs[n]) {
        EXPECT_TRUE(std::any_of(probes.begin(), probes.end(),
                                [&](const Probe& probe) { return probe.at == point; }));
      }
    }
    EXPECT_EQ(asked, fewest_by_trying({"", ""}, pairs, 0)) << "seed " << seed;
  }
}

TEST(FewestMoves, TooFewProbesIsNoPlan) {
  EXPECT_FALSE(fewest_moves({{"scope/1", ""}}, {"a", "b"}, {}));
}

TEST(Drawing, PinOneCarriesThePartsOwnMark) {
  EXPECT_EQ(part_drawing(heron().bring_up.parts.at("U2"), 5),
            "        +--------+\n"
            "     1 -| o      |- 8\n"
            "     2 -|        |- 7\n"
            "     3 -|   U2   |- 6\n"
            "     4 -|        |- >5<\n"
            "        +--------+\n");
  const std::string notch = part_drawing(heron().bring_up.parts.at("U1"), 14);
  EXPECT_EQ(notch.substr(0, notch.find('\n')), "        +---()---+");
  EXPECT_NE(notch.find("     3 -|        |- >14<\n"), std::string::npos) << notch;
  script::Part bar = heron().bring_up.parts.at("U2");
  bar.mark = script::PinOneMark::bar;
  bar.rotation_deg = 180;
  // Turned by half: the bar is at the lower end, pin 1 at the lower right.
  EXPECT_EQ(part_drawing(bar, 0),
            "        +--------+\n"
            "     5 -|        |- 4\n"
            "     6 -|        |- 3\n"
            "     7 -|   U2   |- 2\n"
            "     8 -|        |- 1\n"
            "        +========+\n");
}

TEST(Drawing, ALyingPartHasPinOneAtItsMark) {
  const std::string drawn = part_drawing(heron().bring_up.parts.at("U3"), 1);
  // Turned by 90 deg anticlockwise, pin 1 goes from the upper left to the lower left.
  const std::string above = drawn.substr(0, drawn.find('\n'));
  EXPECT_LT(above.find('8'), above.find('5')) << drawn;
  EXPECT_NE(drawn.rfind(">1<"), std::string::npos);
  EXPECT_GT(drawn.find(">1<"), drawn.rfind("+---")) << drawn;
  EXPECT_NE(drawn.find("  I  U3"), std::string::npos) << drawn;
}

TEST(Drawing, TheLocatorShowsThePartOrTheVeryPoint) {
  const script::BoardType& type = heron();
  const std::string part = board_drawing(type, *type.find("lo_0"));
  EXPECT_NE(part.find("[U1]"), std::string::npos) << part;
  const std::string place = board_drawing(type, *type.find("mid_rail"));
  EXPECT_NE(place.find('X'), std::string::npos) << place;
  std::set<std::size_t> widths;
  for (std::size_t at = 0; at < place.size(); at = place.find('\n', at) + 1) {
    widths.insert(place.find('\n', at) - at);
  }
  EXPECT_EQ(widths.size(), 1U) << place;
}

TEST(Ohms, AnOpenCircuitFailsAContinuityAndIsNoReadingOfAShort) {
  const script::BoardType& type = heron();
  const bench::Uncertainty meter;
  instrument::MeterReading open;
  open.overload = true;
  const auto continuity =
      judge_ohms(open, meter, type.bring_up.resistances.at("cross_6_13"), type.limits);
  EXPECT_EQ(continuity.reading.decision, record::Decision::fail);
  EXPECT_FALSE(continuity.reading.value) << "no reading is never a number";
  EXPECT_TRUE(continuity.no_contact);
  const auto shorted =
      judge_ohms(open, meter, type.bring_up.resistances.at("op_amp_short"), type.limits);
  EXPECT_EQ(shorted.reading.decision, record::Decision::no_reading);
  instrument::MeterReading low;
  low.value = 5;
  low.range = 100;
  const auto real =
      judge_ohms(low, meter, type.bring_up.resistances.at("op_amp_short"), type.limits);
  EXPECT_EQ(real.reading.decision, record::Decision::fail);
  EXPECT_NE(real.doubt.find("at least 200 ohm"), std::string::npos) << real.doubt;
}

TEST(PowerGate, OnlyAPassOpensIt) {
  using record::Decision;
  for (const Decision decision :
       {Decision::fail, Decision::conditional_fail, Decision::no_reading, Decision::none}) {
    PowerGate gate;
    EXPECT_TRUE(gate.may_power());
    record::Reading reading;
    reading.quantity = "polarity";
    reading.title = "Polarity";
    reading.decision = decision;
    gate.note(reading);
    const auto shut = gate.may_power();
    ASSERT_FALSE(shut) << record::word(decision);
    EXPECT_EQ(shut.error().kind, ErrorKind::unsafe);
    EXPECT_NE(shut.error().message.find("Polarity"), std::string::npos);
    reading.decision = Decision::pass;
    gate.note(reading);
    EXPECT_TRUE(gate.may_power());
  }
}

record::Decision decision_of(const std::string& test_point, double volts) {
  reading::MeterAccuracy accuracy;  // as in docs/examples/bench-bring-up.json
  accuracy.percent_of_reading = 0.05;
  accuracy.percent_of_range = 0.01;
  accuracy.range = volts > 10 ? 100 : 10;
  return judge(test_point, test_point, "V",
               reading::meter_reading(test_point, volts, "V", accuracy),
               script::limit_at(heron().limits, test_point, 0))
      .decision;
}

// Common practice, no source: the two select lines need their frequency and 90 deg; levels that
// differ are worth a note.
TEST(CommonPractice, UnequalLoLevelsAreANoteAndNoFailure) {
  const script::PairCheck& lo = heron().bring_up.pairs.at("lo");
  Comparison seen;
  seen.channels[0].amplitude_v = 3.2;
  seen.channels[1].amplitude_v = 2.2;
  seen.channels[0].present = seen.channels[1].present = true;
  seen.phase_deg = -90;
  seen.balance_db = -3.25;
  seen.frequency_hz = 10.12e6;
  const auto readings = judge_pair(lo, heron().limits, {}, Lines{10.12e6, 0}, seen);
  int notes = 0;
  for (const record::Reading& reading : readings) {
    if (reading.quantity != "lo.balance") {
      EXPECT_EQ(reading.decision, record::Decision::pass) << reading.quantity;
      continue;
    }
    EXPECT_EQ(reading.decision, record::Decision::none);
    EXPECT_NE(reading.detail.find("a note, not a failure"), std::string::npos) << reading.detail;
    ++notes;
  }
  EXPECT_EQ(notes, 1);
  EXPECT_EQ(readings.size(), 5U);
}

// The IF turns round with the side of the LO; limits hold on both sides.
TEST(JudgePair, BelowTheLoThePhaseIsTurnedRound) {
  const script::PairCheck& inputs = heron().bring_up.pairs.at("inputs");
  Comparison seen;
  seen.channels[0].amplitude_v = seen.channels[1].amplitude_v = 0.08;
  seen.channels[0].present = seen.channels[1].present = true;
  seen.phase_deg = -90;
  const auto phase = [&](double rf_hz) {
    return judge_pair(inputs, heron().limits, {}, Lines{10.12e6, rf_hz}, seen)[0];
  };
  EXPECT_EQ(phase(10.115e6).decision, record::Decision::pass);
  EXPECT_EQ(phase(10.125e6).decision, record::Decision::fail);
}

// Common practice, no source.
TEST(CommonPractice, SuppliesALittleOffTheirNominalValuesAreGood) {
  EXPECT_EQ(decision_of("switch_supply", 4.96), record::Decision::pass);
  EXPECT_EQ(decision_of("op_amp_supply", 10.4), record::Decision::pass);
}

TEST(CommonPractice, TheBiasNeedsToBeRoughlyHalfTheSwitchSupply) {
  EXPECT_EQ(decision_of("mid_rail", 2.83), record::Decision::pass);
  EXPECT_EQ(decision_of("mid_rail", 3.4), record::Decision::fail);
}

}  // namespace
}  // namespace nightbench::engine
