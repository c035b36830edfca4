#include "sequences/script/limits.hpp"

#include <gtest/gtest.h>

#include "script_helpers.hpp"

namespace nightbench::script {
namespace {

using testing::must;
using testing::node;
using testing::text_of;

const std::map<std::string, Unit> kUnits{
    {"gain_balance", Unit::db}, {"phase_error", Unit::degree}, {"mid_rail", Unit::volt}};

Limits limits(const std::string& text) {
  return must(decode_limits(node(text), kUnits));
}

TEST(Limits, AConstantHoldsAtEveryFrequency) {
  const Limits all = limits(R"({"gain_balance": {"lower": "-0.5 dB", "upper": 0.25}})");
  EXPECT_EQ(all.at("gain_balance").unit, "dB");
  for (const double frequency_hz : {0.0, 1.0, 10.12e6, 1e12}) {
    const record::Limit limit = limit_at(all, "gain_balance", frequency_hz);
    EXPECT_EQ(limit.lower, -0.5);
    EXPECT_EQ(limit.upper, 0.25);
    EXPECT_EQ(limit.name, "gain_balance");
  }
}

TEST(Limits, ALineIsLinearBetweenItsCorners) {
  const Limits all = limits(
      R"({"gain_balance": {"lower": [["10 MHz", "30 dB"], ["20 MHz", "40 dB"], [40e6, 20]]}})");
  const auto lower = [&](double frequency_hz) {
    return limit_at(all, "gain_balance", frequency_hz).lower;
  };
  EXPECT_EQ(lower(10e6), 30);
  EXPECT_EQ(lower(12.5e6), 32.5);
  EXPECT_EQ(lower(20e6), 40);
  EXPECT_EQ(lower(30e6), 30);
  EXPECT_EQ(lower(40e6), 20);
}

TEST(Limits, OutsideALineThereIsNoBound) {
  const Limits all =
      limits(R"({"gain_balance": {"lower": [["10 MHz", 30], ["20 MHz", 40]], "upper": 50}})");
  for (const double frequency_hz : {0.0, 9'999'999.0, 20'000'001.0}) {
    const record::Limit limit = limit_at(all, "gain_balance", frequency_hz);
    EXPECT_EQ(limit.lower, std::nullopt);
    EXPECT_EQ(limit.upper, 50) << "the constant on the other side stays";
    EXPECT_EQ(limit.name, "gain_balance");
  }
  const Limits line_only =
      limits(R"({"gain_balance": {"lower": [["10 MHz", 30], ["20 MHz", 40]]}})");
  EXPECT_EQ(limit_at(line_only, "gain_balance", 5e6).name, "") << "nothing to judge against";
}

TEST(Limits, AQuantityWithoutALimitHasNone) {
  const record::Limit limit = limit_at(limits("{}"), "gain_balance", 10e6);
  EXPECT_EQ(limit.lower, std::nullopt);
  EXPECT_EQ(limit.upper, std::nullopt);
  EXPECT_EQ(limit.name, "");
}

TEST(Limits, OneSideIsEnough) {
  const Limits all = limits(R"({"gain_balance": {"upper": "1 dB"}, "mid_rail": {"lower": "2 V"}})");
  EXPECT_EQ(limit_at(all, "gain_balance", 1e6).lower, std::nullopt);
  EXPECT_EQ(limit_at(all, "mid_rail", 0).lower, 2);
  EXPECT_EQ(limit_at(all, "mid_rail", 0).upper, std::nullopt);
}

TEST(Limits, ABoundWithoutCornersIsNoBound) {
  EXPECT_EQ(Bound{}.at(1e6), std::nullopt);
}

TEST(Limits, ErrorsNameTheMember) {
  const auto refused = [](const char* text) { return text_of(decode_limits(node(text), kUnits)); };
  EXPECT_EQ(refused(R"({"phase_eror": {"upper": 1}})"),
            "test.json: at /phase_eror: there is no quantity \"phase_eror\" to limit; did you mean "
            "\"phase_error\"?");
  EXPECT_EQ(refused(R"({"mid_rail": {"upper": [["1 MHz", "1 V"], ["1 MHz", "2 V"]]}})"),
            "test.json: at /mid_rail/upper/1/0: the frequencies of a limit line must ascend");
  EXPECT_EQ(refused(R"({"mid_rail": {"upper": [["1 MHz", "1 V"], ["2 MHz"]]}})"),
            "test.json: at /mid_rail/upper/1: expected an array of at least 2 elements, found an "
            "array of 1");
}

}  // namespace
}  // namespace nightbench::script
