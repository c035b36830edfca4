#include <gtest/gtest.h>

#include <nlohmann/json.hpp>
#include <pugixml.hpp>
#include <sstream>

#include "daemon/analyse/display.hpp"
#include "support.hpp"

namespace nightbench::analyse {
namespace {

AnalyseOutcome outcome_of(const std::string& id) {
  AnalyseOptions options;
  options.capture = test::simulated(id);
  options.context.rf_hz = 10.125e6;
  options.context.lo_hz = 10.12e6;
  options.context.level_dbm = -40;
  return test::analysed(options);
}

Quantity quantity(double value, double U, const char* unit = "dB") {
  reading::Reading reading;
  reading.value = value;
  reading.U = U;
  reading.unit = unit;
  return {"x", "X", unit, reading};
}

TEST(Display, UHasTwoSignificantDigitsAndTheValueItsPlaces) {
  const Display plain = display(quantity(-0.15355, 0.2837));
  EXPECT_EQ(plain.value, "-0.15");
  EXPECT_EQ(plain.u, "0.28");
  EXPECT_EQ(sentence(plain), "-0.15 dB, U = 0.28 dB");
  // A value that is small beside its U does not choose the prefix.
  const Display error = display(quantity(-0.000296, 28.6, "Hz"));
  EXPECT_EQ(error.value, "0");
  EXPECT_EQ(error.u, "29");
  EXPECT_EQ(error.unit, "Hz");
  EXPECT_EQ(display(quantity(5000.00119, 0.1, "Hz")).value, "5.00000");
  EXPECT_EQ(display(quantity(5000.00119, 0.1, "Hz")).unit, "kHz");
}

TEST(Display, AnOpenIntervalIsRoundedToTheSafeSide) {
  Quantity open = quantity(52, std::numeric_limits<double>::infinity());
  open.outcome->interval = reading::Interval{37.19, std::numeric_limits<double>::infinity()};
  EXPECT_EQ(display(open).value, "> 37.1");
  EXPECT_EQ(sentence(display(open)), "> 37.1 dB");
}

TEST(Display, AnIntervalOpenBelowIsAnUpperBound) {
  Quantity open = quantity(-80, std::numeric_limits<double>::infinity());
  open.outcome->interval = reading::Interval{-std::numeric_limits<double>::infinity(), -71.23};
  EXPECT_EQ(sentence(display(open)), "< -71.2 dB");
  open.outcome->interval = reading::Interval{};
  EXPECT_EQ(sentence(display(open)), "not limited");
}

TEST(Display, NoReadingIsNeverANumber) {
  const Quantity none{"x", "X", "dB", reading::no_reading(reading::Reason::clipped, "")};
  EXPECT_EQ(display(none).value, "no reading");
  EXPECT_EQ(display(none).u, "");
}

TEST(Display, TextIsBrokenAtBlanks) {
  EXPECT_EQ(wrapped("one two three", 11, ""), "one two\nthree\n");
  EXPECT_EQ(wrapped("unbreakable-word here", 10, "  "), "  unbreakable-word\n  here\n");
  EXPECT_EQ(wrapped("", 10, ""), "");
}

TEST(Text, EveryLineOfEveryKindOfOutcomeKeepsToTheWidth) {
  for (const char* id :
       {"lo_phase_2deg", "lo_swapped", "level_m28", "splitter_reversed", "pins_5_4_interchanged"}) {
    for (const int width : {80, 100}) {
      AnalyseOutcome outcome = outcome_of(id);
      outcome.capture.file = id;  // a path cannot be broken
      std::istringstream lines(as_text(outcome, true, width));
      for (std::string line; std::getline(lines, line);) {
        EXPECT_LE(line.size(), static_cast<std::size_t>(width)) << id << ": " << line;
        EXPECT_FALSE(line.ends_with(' ')) << line;
      }
    }
  }
}

TEST(Text, HoldsValueUAndReason) {
  const std::string good = as_text(outcome_of("lo_phase_2deg"), false);
  EXPECT_NE(good.find("I/Q gain balance                 -0.15       0.28  dB"), std::string::npos)
      << good;
  EXPECT_NE(good.find("match-missing"), std::string::npos);
  EXPECT_EQ(good.find("Uncertainty budgets"), std::string::npos);
  const std::string dead = as_text(outcome_of("splitter_reversed"), false);
  EXPECT_NE(dead.find("NO READING, empty: "), std::string::npos);
  EXPECT_NE(dead.find("I DC offset"), std::string::npos);
  EXPECT_EQ(dead.find("Image rejection"), std::string::npos);
  const std::string half = as_text(outcome_of("pins_5_4_interchanged"), false);
  EXPECT_NE(half.find("No reading, empty: Q is silent"), std::string::npos);
}

TEST(Text, TheBudgetNamesItsContributions) {
  const std::string text = as_text(outcome_of("lo_phase_2deg"), true);
  for (const char* word : {"channel gain match", "channel skew", "source level", "noise"}) {
    EXPECT_NE(text.find(word), std::string::npos) << word;
  }
}

TEST(Json, IsStrictAndHoldsEveryQuantity) {
  for (const char* id : {"lo_phase_2deg", "lo_swapped", "level_m28"}) {
    const AnalyseOutcome outcome = outcome_of(id);
    const auto json = nlohmann::json::parse(as_json(outcome));
    EXPECT_EQ(json["capture"]["samples"], 1600);
    EXPECT_EQ(json["context"]["rf_hz"], 10.125e6);
    ASSERT_EQ(json["quantities"].size(), outcome.quantities.size());
    for (const auto& each : json["quantities"]) {
      EXPECT_EQ(each["value"].is_null(), each.contains("no_reading")) << each;
    }
    EXPECT_EQ(json["refused"].is_null(), std::string(id) != "level_m28");
  }
}

TEST(Json, AnOpenEndIsNull) {
  const auto json = nlohmann::json::parse(as_json(outcome_of("lo_swapped")));
  bool seen = false;
  for (const auto& each : json["quantities"]) {
    if (each["name"] != "image_rejection_db") continue;
    seen = true;
    EXPECT_TRUE(each["high"].is_null());
    EXPECT_TRUE(each["expanded_u"].is_null());
    EXPECT_GT(each["low"].get<double>(), 30);
  }
  EXPECT_TRUE(seen);
}

TEST(Picture, IsOneSvgWithThreePlotsAndTheLinesMarked) {
  const std::string svg = as_svg(outcome_of("lo_phase_5deg"));
  pugi::xml_document document;
  ASSERT_TRUE(document.load_string(svg.c_str()));
  const pugi::xml_node root = document.child("svg");
  EXPECT_EQ(root.select_nodes("./svg").size(), 3U);
  for (const auto& plot : root.select_nodes("./svg")) {
    EXPECT_NE(plot.node().attribute("y").as_int(-1), -1);
    EXPECT_EQ(plot.node().attribute("width").as_int(), 720);
  }
  // RF above the LO on a board of sense -1: the tone at -IF, the image at +IF, 32.6 dB down.
  EXPECT_NE(svg.find("tone at -5 kHz: "), std::string::npos);
  EXPECT_NE(svg.find("image at 5 kHz: "), std::string::npos);
  EXPECT_NE(svg.find("harmonics at 15 kHz: "), std::string::npos);
  EXPECT_EQ(svg.find("nan"), std::string::npos);
  EXPECT_EQ(svg, as_svg(outcome_of("lo_phase_5deg")));
}

TEST(Picture, ARefusedCaptureIsStillDrawn) {
  for (const char* id : {"level_m28", "splitter_reversed"}) {
    pugi::xml_document document;
    const std::string svg = as_svg(outcome_of(id));
    ASSERT_TRUE(document.load_string(svg.c_str())) << id;
    EXPECT_NE(svg.find(": no reading, "), std::string::npos);
  }
}

}  // namespace
}  // namespace nightbench::analyse
