// Guided bring-up end to end on virtual time: a healthy board, the state of the bench at each step,
// and the checks that keep power off.
#include "bring_up.hpp"

#include <gtest/gtest.h>

#include <set>

namespace nightbench::cli {
namespace {

using namespace testing;  // NOLINT: the helpers of this folder's tests
using engine::Answer;
using engine::Prompt;
using engine::PromptKind;

const std::vector<std::string> kQuestions{"orientation_u1", "orientation_u2", "orientation_u3",
                                          "polarity"};
const std::vector<std::string> kResistances{
    "cross_6_13", "cross_5_12", "cross_4_11",  "cross_3_10",   "via_180",     "via_270",
    "via_90",     "via_0",      "op_amp_feed", "op_amp_short", "switch_short"};

TEST(BringUp, AHealthyBoardPassesWithEveryPromptAnswered) {
  const auto bench = hand_bench();
  VirtualHand hand(bench->simulation(), std::nullopt);
  const Done done = bring_up(*bench, "H30-001", hand);
  EXPECT_EQ(done.run.outcome, record::Outcome::complete) << told(done);
  EXPECT_EQ(record::verdict(done.run), record::Verdict::pass) << told(done);
  EXPECT_EQ(done.run.points.size(), done.run.header.planned_points);
  // Common-practice order: orientation one by one, polarity, ohms, power, DC, LO, splitter, switch
  // outputs, I and Q on both sides of the LO.
  std::vector<std::string> labels;
  for (const record::Point& point : done.run.points) {
    if (labels.empty() || labels.back() != point.label) labels.push_back(point.label);
  }
  EXPECT_EQ(labels, (std::vector<std::string>{"orientation", "polarity", "continuity", "shorts",
                                              "first power", "DC", "LO", "splitter", "power again",
                                              "switch outputs", "between the pairs", "I and Q"}));
  EXPECT_EQ(done.run.points.back().at.at("rf_hz") < done.run.points.back().at.at("lo_hz"), true);
}

TEST(BringUp, NoProbeIsMovedThatIsInPlace) {
  const auto bench = hand_bench();
  VirtualHand hand(bench->simulation(), std::nullopt);
  bring_up(*bench, "H30-001", hand);
  std::map<std::string, std::string> at;
  for (const HandMove& move : hand.moves()) {
    EXPECT_NE(at[move.port], move.asked) << "asked to put " << move.port << " where it is";
    at[move.port] = move.asked;
  }
  // 11 resistances need 22 tips placed, 6 of which are there already; 3 DC points move the red tip
  // only, for the black one is at ground since the last short; 6 pairs move both probes.
  EXPECT_EQ(hand.moves().size(), 16U + 3U + 12U);
}

TEST(BringUp, EveryMoveNamesPartPinAndGroundClipAndDrawsThePlace) {
  const auto bench = hand_bench();
  VirtualHand hand(bench->simulation(), std::nullopt);
  bring_up(*bench, "H30-001", hand);
  for (const Prompt& prompt : hand.asked()) {
    EXPECT_FALSE(prompt.title.empty());
    if (prompt.kind != PromptKind::move) continue;
    EXPECT_FALSE(prompt.part.empty()) << prompt.title;
    EXPECT_NE(prompt.title.find(prompt.part), std::string::npos) << prompt.title;
    EXPECT_NE(prompt.drawing.find("+------"), std::string::npos) << prompt.title;
    if (prompt.port.starts_with("scope")) {
      EXPECT_NE(prompt.text.find("ground clip goes to J2 pin 2"), std::string::npos) << prompt.text;
    }
  }
}

// What stands on the board at each measurement: the splitter's ends without power and without LO,
// power back on afterwards, and never more RF than the board type allows.
TEST(BringUp, SplitterIsMeasuredWithoutPowerAndRfStaysWithinItsMaximum) {
  const auto bench = hand_bench();
  VirtualHand hand(bench->simulation(), std::nullopt);
  std::map<std::string, mock::server::Truth> at;
  double most_dbm = -200;
  Asked person(hand, [&](const Prompt&) {
    const auto truth = bench->simulation().truth();
    if (truth.rf_on) most_dbm = std::max(most_dbm, truth.rf_dbm);
  });
  const Done done = bring_up(*bench, "H30-001", person, {}, [&](const record::Point& point) {
    at[point.label] = bench->simulation().truth();
    if (at[point.label].rf_on) most_dbm = std::max(most_dbm, at[point.label].rf_dbm);
  });
  ASSERT_EQ(record::verdict(done.run), record::Verdict::pass) << told(done);
  for (const char* label : {"orientation", "polarity", "continuity", "shorts"}) {
    EXPECT_FALSE(at[label].supply_on || at[label].rf_on || at[label].lo_on) << label;
  }
  EXPECT_TRUE(at["LO"].supply_on && at["LO"].lo_on);
  EXPECT_FALSE(at["LO"].rf_on);
  EXPECT_TRUE(at["splitter"].rf_on);
  EXPECT_FALSE(at["splitter"].supply_on || at["splitter"].lo_on);
  EXPECT_TRUE(at["switch outputs"].supply_on && at["switch outputs"].rf_on);
  EXPECT_TRUE(at["I and Q"].supply_on);
  // The source is within 0.5 dB of what it is set to; the script asks for -16 dBm, the board type
  // allows -10 dBm.
  EXPECT_NEAR(most_dbm, -16, 0.5);
  EXPECT_FALSE(bench->simulation().truth().supply_on);
}

TEST(BringUp, MoreRfThanTheBoardStandsIsRefusedBeforeAnythingIsTouched) {
  std::string script = library_text("scripts/bring-up.json");
  const std::string level = "\"raised_level\": \"-16 dBm\"";
  script.replace(script.find(level), level.size(), "\"raised_level\": \"-9 dBm\"");
  const script::Plan plan = make_plan(script, library_text("board_types/heron-30.json"));
  const auto bench = hand_bench();
  const auto checked = engine::check_wiring(plan, bench->file());
  ASSERT_FALSE(checked);
  EXPECT_EQ(checked.error().kind, ErrorKind::bad_input);
  EXPECT_NE(describe(checked.error()).find("-9 dBm"), std::string::npos)
      << describe(checked.error());
}

// A run that was kept from power: never on, and nothing after it was tried.
void expect_no_power(VirtualBench& bench, const std::string& board, VirtualHand& hand,
                     const std::function<std::optional<Answer>(const Prompt&)>& answer,
                     const std::string& why) {
  bool on = false;
  Asked person(hand, [&](const Prompt&) { on = on || bench.simulation().truth().supply_on; });
  person.answer = answer;
  const Done done = bring_up(bench, board, person, {}, [&](const record::Point&) {
    on = on || bench.simulation().truth().supply_on;
  });
  EXPECT_FALSE(on) << why;
  EXPECT_EQ(done.run.outcome, record::Outcome::unsafe) << why << told(done);
  EXPECT_NE(done.run.outcome_text.find("the supply stays off"), std::string::npos)
      << done.run.outcome_text;
  EXPECT_FALSE(done.readings.contains("supply_current")) << why;
  EXPECT_FALSE(done.readings.contains("lo.phase")) << why;
  EXPECT_TRUE(done.readings.contains("switch_short")) << why << ": checks before power go on";
}

TEST(PowerGate, StaysShutWhenAQuestionIsAnsweredNoOrSkipped) {
  for (const std::string& id : kQuestions) {
    for (const Answer given : {Answer::no, Answer::skip}) {
      const auto bench = hand_bench();
      VirtualHand hand(bench->simulation(), std::nullopt);
      expect_no_power(
          *bench, "H30-001", hand,
          [&](const Prompt& prompt) {
            return prompt.id == id ? std::optional(given) : std::nullopt;
          },
          id + " answered " + engine::word(given));
    }
  }
}

TEST(PowerGate, StaysShutWhenAResistanceIsSkipped) {
  for (const std::string& id : kResistances) {
    const auto bench = hand_bench();
    VirtualHand hand(bench->simulation(), std::nullopt);
    // switch_short itself is the last: skipped, it is kept without a reading.
    expect_no_power(
        *bench, "H30-001", hand,
        [&](const Prompt& prompt) {
          return prompt.id == id ? std::optional(Answer::skip) : std::nullopt;
        },
        id + " skipped");
  }
}

TEST(PowerGate, StaysShutWhenAResistanceFails) {
  const std::map<std::string, std::string> boards{
      {R"({"fault": "via-open", "pin": 6})", "an open via"},
      {R"({"fault": "supply-short", "rail": "op_amp", "ohm": 5})", "op-amp supply shorted"},
      {R"({"fault": "supply-short", "rail": "switch_logic", "ohm": 5})", "switch supply shorted"},
  };
  for (const auto& [fault, why] : boards) {
    const auto bench =
        hand_bench("\"H30-BAD\": {\"design\": \"30m\", \"faults\": [" + fault + "]},");
    VirtualHand hand(bench->simulation(), std::nullopt);
    expect_no_power(*bench, "H30-BAD", hand, {}, why);
  }
}

}  // namespace
}  // namespace nightbench::cli
