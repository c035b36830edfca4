// What check() accepts; what it refuses is in samples/wrong/meaning/plan.*.json.
#include <gtest/gtest.h>

#include "script_helpers.hpp"
#include "sequences/script/plan.hpp"

namespace nightbench::script {
namespace {

using testing::heron;
using testing::kSource;
using testing::must;
using testing::script_of;

SafeLimits roomy() {
  SafeLimits safe;
  safe.rf_level_most_dbm = 10;
  safe.supply_most_v = 15;
  safe.supply_most_a = 0.25;
  return safe;
}

void expect_accepted(const std::string& steps, const SafeLimits& safe = roomy()) {
  const auto checked = check(Plan(script_of(steps), heron()), safe);
  EXPECT_TRUE(checked) << describe(checked.error());
}

TEST(PlanCheck, TheLibraryIsAccepted) {
  for (const auto& entry :
       std::filesystem::directory_iterator(kSource / "sequences/library/scripts")) {
    const auto checked = check(Plan(must(read_script(entry.path(), {})), heron()), roomy());
    EXPECT_TRUE(checked) << describe(checked.error());
  }
}

TEST(PlanCheck, ValuesOnTheLimitAreAccepted) {
  SafeLimits safe = roomy();
  safe.rf_level_most_dbm = -20;
  safe.supply_most_v = 10;
  safe.supply_most_a = 0.15;
  expect_accepted(R"([{"step": "power", "output": "on"}, {"step": "drive", "level": "-20 dBm"}])",
                  safe);
  expect_accepted(R"([{"step": "drive", "level": "-10 dBm"}])");
}

TEST(PlanCheck, SwitchingOffIsAlwaysAccepted) {
  SafeLimits nothing;
  nothing.rf_level_most_dbm = -100;
  expect_accepted(R"([{"step": "power", "output": "off"},
                      {"step": "drive", "rf_output": "off", "lo_output": "off"}])",
                  nothing);
}

TEST(PlanCheck, SettingsMayComeFromDifferentSteps) {
  expect_accepted(R"([{"step": "power", "output": "on"}, {"step": "drive", "rf": "10.12 MHz"},
                      {"step": "drive", "level": "-40 dBm"}, {"step": "drive", "lo": "10.1 MHz"},
                      {"step": "pair"}])");
}

TEST(PlanCheck, ALoopMayPutRightWhatItsBodySwitchesOff) {
  expect_accepted(R"([{"step": "drive", "rf": "10.12 MHz", "level": "-40 dBm", "offset": "5 kHz"},
                      {"step": "repeat", "times": 2, "do": [
                        {"step": "power", "output": "on"}, {"step": "pair"},
                        {"step": "power", "output": "off"}]}])");
  expect_accepted(R"([{"step": "power", "output": "on"},
                      {"step": "sweep", "over": [{"axis": "rf", "list": [1e7, 1.01e7]},
                          {"axis": "level", "list": [-40]}, {"axis": "offset", "list": [5e3]}],
                       "do": [{"step": "pair"}, {"step": "drive", "rf_output": "off"}]}])");
}

TEST(PlanCheck, AOnceOnlyLoopMaySwitchOffAtItsEnd) {
  expect_accepted(R"([{"step": "power", "output": "on"},
                      {"step": "drive", "rf": "10.12 MHz", "level": "-40 dBm", "offset": "5 kHz"},
                      {"step": "repeat", "times": 1, "do": [
                        {"step": "pair"}, {"step": "power", "output": "off"}]}])");
}

TEST(PlanCheck, DcVoltsNeedNoSupply) {
  expect_accepted(R"([{"step": "volts", "at": "mid_rail"}])");
}

TEST(PlanCheck, DeepAndWideScriptsAreCheckedInReasonableTime) {
  std::string steps = R"({"step": "pair"})";
  for (int i = 0; i < 8; ++i) {
    steps = R"({"step": "sweep", "over": [{"axis": "rf", "list": [1e7, 1.01e7]}], "do": [)" +
            steps + "]}";
  }
  expect_accepted(R"([{"step": "power", "output": "on"},
                      {"step": "drive", "level": "-40 dBm", "lo": "9.9 MHz"}, )" +
                  steps + "]");
}

}  // namespace
}  // namespace nightbench::script
