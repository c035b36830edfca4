#include "sequences/script/parameters.hpp"

#include <gtest/gtest.h>

#include <nlohmann/json.hpp>

#include "script_helpers.hpp"

namespace nightbench::script {
namespace {

using testing::must;
using testing::node;
using testing::Settings;
using testing::text_of;

std::string replaced(const char* text, const Settings& settings = {}) {
  nlohmann::json whole = must(put_parameters(node(text), settings)).root.raw();
  whole.erase("parameters");
  return whole.dump();
}

TEST(Parameters, ReplaceWholeStringsWhereverTheyStand) {
  EXPECT_EQ(replaced(R"({"parameters": {"n": 3, "t": "x", "b": true},
                         "a": "$n", "c": ["$t", {"d": "$b"}]})"),
            R"({"a":3,"c":["x",{"d":true}]})");
}

TEST(Parameters, LeaveOtherTextsAndKeysAlone) {
  EXPECT_EQ(replaced(R"({"parameters": {"n": 3}, "a": "n", "b": "2 $n", "$n": "$", "c": "x$n"})"),
            R"({"$n":"$","a":"n","b":"2 $n","c":"x$n"})");
}

TEST(Parameters, AreNotReplacedInsideEachOther) {
  EXPECT_EQ(
      must(put_parameters(node(R"({"parameters": {"a": "$b", "b": 1}})"), {})).parameters.at("a"),
      "$b");
}

TEST(Parameters, SettingsOverrideDefaultsAndKeepTheirKind) {
  const char* text = R"({"parameters": {"n": 1, "t": "x", "b": false}, "v": ["$n", "$t", "$b"]})";
  EXPECT_EQ(replaced(text, {{"n", "26"}, {"t", "-40 dBm"}, {"b", "true"}}),
            R"({"v":[26,"-40 dBm",true]})");
  EXPECT_EQ(replaced(text, {{"n", "-1.5e3"}, {"t", ""}, {"b", "yes"}}),
            R"({"v":[-1500.0,"","yes"]})");
  EXPECT_EQ(replaced(text, {{"n", "{\"a\": 1}"}, {"t", "null"}}),
            R"({"v":["{\"a\": 1}","null",false]})");
}

TEST(Parameters, AreReportedAsUsed) {
  const auto prepared =
      must(put_parameters(node(R"({"parameters": {"level": "-40 dBm", "points": 26, "on": true}})"),
                          {{"points", "5"}}));
  EXPECT_EQ(prepared.parameters, (std::map<std::string, std::string>{
                                     {"level", "-40 dBm"}, {"points", "5"}, {"on", "true"}}));
}

TEST(Parameters, AnUnknownSettingIsRefusedWithTheNearest) {
  const auto root = node(R"({"parameters": {"level": 1, "points": 2}})");
  EXPECT_EQ(text_of(put_parameters(root, {{"levle", "1"}})),
            "test.json: at /parameters: the script has no parameter \"levle\" to set; did you mean "
            "\"level\"?");
  EXPECT_EQ(text_of(put_parameters(root, {{"voltage", "1"}})),
            "test.json: at /parameters: the script has no parameter \"voltage\" to set");
  EXPECT_EQ(text_of(put_parameters(node("{}"), {{"x", "1"}})),
            "test.json: at /parameters: the script has no parameter \"x\" to set");
}

TEST(Parameters, AnUnknownNameIsRefusedWhereItIsUsed) {
  EXPECT_EQ(text_of(put_parameters(
                node(R"({"parameters": {"level": 1}, "a": [0, {"b": "$levl"}]})"), {})),
            "test.json: at /a/1/b: there is no parameter \"levl\"; did you mean \"level\"?");
}

TEST(Parameters, SettingsThatAreNoUtf8DoNotThrow) {
  const char* text = R"({"script": "s", "parameters": {"t": "x"},
                         "steps": [{"step": "wait", "for": "$t"}]})";
  const auto refused = testing::decode(text, {{"t", "\xFF\xFE"}});
  ASSERT_FALSE(refused);
  EXPECT_EQ(refused.error().pointer, "/steps/0/for");
}

}  // namespace
}  // namespace nightbench::script
