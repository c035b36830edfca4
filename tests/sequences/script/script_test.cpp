#include "sequences/script/script.hpp"

#include <gtest/gtest.h>

#include "script_helpers.hpp"

namespace nightbench::script {
namespace {

using testing::decode;
using testing::kSamples;
using testing::kSource;
using testing::must;
using testing::script_of;
using testing::text_of;

template <typename Kind>
const Kind& as(const Step& step) {
  return std::get<Kind>(step.what);
}

TEST(Script, EveryStepArrivesWithEveryMember) {
  const Script script = must(read_script(kSamples / "good/script.full.json", {}));
  EXPECT_EQ(script.name, "full");
  EXPECT_EQ(script.title, "Every step");
  EXPECT_EQ(script.board_type, "heron-30");
  EXPECT_EQ(script.parameters.at("level"), "-40 dBm");
  EXPECT_EQ(script.parameters.at("points"), "3");
  ASSERT_EQ(script.steps.size(), 18U);

  const auto& power = as<PowerStep>(script.steps[0]);
  EXPECT_TRUE(power.on);
  EXPECT_EQ(power.volts, 10);
  EXPECT_EQ(power.limit_a, 0.15);
  EXPECT_EQ(power.soft_start_s, 0.5);
  EXPECT_EQ(script.steps[0].label, "supply on");
  EXPECT_EQ(script.steps[0].pointer, "/steps/0");

  EXPECT_EQ(as<VoltsStep>(script.steps[1]).at, std::vector<std::string>{"mid_rail"});
  EXPECT_EQ(as<VoltsStep>(script.steps[2]).at,
            (std::vector<std::string>{"op_amp_supply", "switch_supply"}));

  const auto& drive = as<DriveStep>(script.steps[3]);
  EXPECT_EQ(drive.rf_hz, 10.12e6);
  EXPECT_EQ(drive.level_dbm, -40);
  EXPECT_EQ(drive.offset_hz, 5e3);
  EXPECT_EQ(drive.lo_hz, std::nullopt);
  EXPECT_EQ(drive.rf_on, true);
  EXPECT_EQ(drive.lo_on, true);

  EXPECT_EQ(as<WaitStep>(script.steps[4]).seconds, 0.05);
  const auto& outputs = as<PairStep>(script.steps[5]);
  EXPECT_EQ(outputs.first, "");
  EXPECT_EQ(outputs.record_points, 20'000U);
  EXPECT_EQ(outputs.periods, 40);
  EXPECT_EQ(outputs.averages, 16);
  EXPECT_EQ(outputs.harmonic, 3);
  EXPECT_EQ(as<DriveStep>(script.steps[6]).lo_hz, 10.1e6);
  const auto& splitter = as<PairStep>(script.steps[7]);
  EXPECT_EQ(splitter.first, "splitter_phase");
  EXPECT_EQ(splitter.second, "splitter_antiphase");
  EXPECT_EQ(splitter.record_points, 0U);
  EXPECT_EQ(splitter.periods, 0);
  EXPECT_EQ(splitter.averages, 1);

  const auto& sweep = as<SweepStep>(script.steps[8]);
  ASSERT_EQ(sweep.over.size(), 3U);
  EXPECT_EQ(sweep.over[0].axis, Axis::offset);
  EXPECT_EQ(sweep.over[1].values, (std::vector<double>{-50, -46, -42, -40}));
  EXPECT_EQ(sweep.over[2].values.size(), 3U);
  ASSERT_EQ(sweep.body.size(), 1U);
  EXPECT_EQ(sweep.body[0].pointer, "/steps/8/do/0");
  const auto& repeat = as<RepeatStep>(sweep.body[0]);
  EXPECT_EQ(repeat.times, 2U);
  EXPECT_EQ(repeat.body.at(0).pointer, "/steps/8/do/0/do/0");
  EXPECT_EQ(repeat.body.at(0).label, "pair") << "without a label, the kind";

  EXPECT_EQ(as<PairStep>(script.steps[9]).checks, std::vector<std::string>{"lo"});
  EXPECT_EQ(as<PairStep>(script.steps[10]).checks,
            (std::vector<std::string>{"switch_0_180", "inputs"}));
  EXPECT_TRUE(outputs.checks.empty());

  EXPECT_EQ(as<DriveStep>(script.steps[11]).rf_on, false);
  EXPECT_EQ(as<DriveStep>(script.steps[11]).lo_on, false);
  EXPECT_FALSE(as<PowerStep>(script.steps[12]).on);

  const auto& ask = as<AskStep>(script.steps[13]);
  EXPECT_EQ(ask.id, "orientation_u1");
  EXPECT_EQ(ask.title, "Orientation of U1");
  EXPECT_EQ(ask.text, "Does the notch point away from the supply connector?");
  EXPECT_EQ(ask.part, "U1");
  EXPECT_EQ(as<AskStep>(script.steps[14]).title, "clean") << "the id stands in for the title";
  EXPECT_EQ(as<AskStep>(script.steps[14]).part, "");
  EXPECT_EQ(as<OhmsStep>(script.steps[15]).checks, std::vector<std::string>{"cross_6_13"});
  EXPECT_EQ(as<OhmsStep>(script.steps[16]).checks,
            (std::vector<std::string>{"cross_5_12", "op_amp_short"}));
  EXPECT_EQ(as<MatchStep>(script.steps[17]).at, "i_out");
}

TEST(Script, DefaultsAreTheDocumentedOnes) {
  const Script script = must(read_script(kSamples / "good/script.minimal.json", {}));
  EXPECT_EQ(script.title, "minimal") << "the name stands in for the title";
  EXPECT_EQ(script.board_type, "");
  EXPECT_TRUE(script.parameters.empty());
  const Script more = script_of(R"([{"step": "power", "output": "on"}, {"step": "drive"}])");
  EXPECT_EQ(as<PowerStep>(more.steps[0]).volts, std::nullopt);
  EXPECT_EQ(as<PowerStep>(more.steps[0]).limit_a, std::nullopt);
  EXPECT_EQ(as<DriveStep>(more.steps[1]).rf_on, std::nullopt);
}

TEST(Script, SettingsReachTheSteps) {
  const auto path = kSource / "sequences/library/scripts/response.json";
  const Script script = must(read_script(path, {{"points", "5"}, {"level", "-50 dBm"}}));
  const auto& sweep = as<SweepStep>(script.steps.at(2));
  EXPECT_EQ(sweep.over.at(1).values, std::vector<double>{-50});
  EXPECT_EQ(sweep.over.at(2).values.size(), 5U);
  EXPECT_EQ(script.parameters.at("points"), "5");
  EXPECT_EQ(script.parameters.at("from"), "10.100 MHz");
}

TEST(Script, ASettingThatDoesNotFitIsRefusedWhereItIsUsed) {
  const auto path = kSource / "sequences/library/scripts/response.json";
  const auto refused = read_script(path, {{"points", "many"}});
  ASSERT_FALSE(refused);
  EXPECT_EQ(refused.error().pointer, "/steps/2/over/2/points");
  EXPECT_EQ(refused.error().message, "expected a whole number from 1 to 1000000, found \"many\"");
  const auto unknown = read_script(path, {{"point", "5"}});
  ASSERT_FALSE(unknown);
  EXPECT_EQ(unknown.error().message,
            "the script has no parameter \"point\" to set; did you mean \"points\"?");
}

TEST(Script, EightLevelsOfNestingAreTheMost) {
  EXPECT_TRUE(read_script(kSamples / "good/script.nested-eight-deep.json", {}));
  const auto nine = read_script(kSamples / "wrong/meaning/script.nested-nine-deep.json", {});
  ASSERT_FALSE(nine);
  EXPECT_EQ(nine.error().message, "sweeps and repeats are nested more than 8 deep");
}

TEST(Script, ABombOfBracketsIsRefused) {
  const std::string bomb(100'000, '[');
  EXPECT_FALSE(decode(bomb));
  EXPECT_FALSE(decode(R"({"script": "x", "steps": )" + bomb));
  std::string repeats;
  for (int i = 0; i < 10'000; ++i) repeats += R"([{"step":"repeat","times":1,"do":)";
  EXPECT_FALSE(decode(R"({"script": "x", "steps": )" + repeats));
}

TEST(Script, ErrorsInsideLoopsPointAtTheStep) {
  const auto refused = decode(R"({"script": "x", "steps": [
      {"step": "wait", "for": 1},
      {"step": "repeat", "times": 2, "do": [{"step": "wait", "for": 1}, {"step": "wiat"}]}]})");
  EXPECT_EQ(text_of(refused),
            "test.json: at /steps/1/do/1/step: expected \"power\", \"drive\", \"volts\", \"pair\", "
            "\"wait\", \"sweep\", \"repeat\", \"ask\", \"ohms\" or \"match\", found \"wiat\"; did you mean \"wait\"?");
}

TEST(Script, TheLibraryDecodes) {
  int count = 0;
  for (const auto& entry :
       std::filesystem::directory_iterator(kSource / "sequences/library/scripts")) {
    const Script script = must(read_script(entry.path(), {}));
    EXPECT_EQ(script.name, entry.path().stem().string()) << "file and name agree";
    ++count;
  }
  EXPECT_GE(count, 1);
}

}  // namespace
}  // namespace nightbench::script
