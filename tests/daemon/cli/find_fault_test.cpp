// A board measured in the order that tells most for the fewest probe moves.
#include <gtest/gtest.h>

#include <algorithm>
#include <set>

#include "bring_up.hpp"
#include "daemon/cli/fault_search.hpp"
#include "sequences/diagnosis/diagnose.hpp"

namespace nightbench::cli {
namespace {

using namespace testing;  // NOLINT: the helpers of this folder's tests

const diagnosis::FaultBook& book() {
  static const diagnosis::FaultBook kBook = *diagnosis::read_fault_book(
      std::string(NIGHTBENCH_SOURCE_DIR) + "/sequences/library/fault_books/iq-receiver.json");
  return kBook;
}

struct Found {
  Done done;
  std::size_t moves = 0;
  bool power_after_failure = false;  // power on once a check without power has failed
  std::string first;                 // cause
};

Found find_fault(const std::string& fault, const std::string& script = "fault-finding") {
  const auto bench = hand_bench("\"H30-BAD\": {\"design\": \"30m\", \"faults\": [" + fault + "]},");
  VirtualHand hand(bench->simulation(), std::nullopt);
  const script::BoardType type = *script::read_board_type(
      std::string(NIGHTBENCH_SOURCE_DIR) + "/sequences/library/board_types/heron-30.json");
  Found out;
  bool failed = false;
  Asked person(hand, [&](const engine::Prompt&) {
    out.power_after_failure = out.power_after_failure || (failed && bench->simulation().truth().supply_on);
  });
  out.done = bring_up(*bench, "H30-BAD", person, {library_text("scripts/" + script + ".json"), ""},
                      [&](const record::Point& point) {
                        for (const record::Reading& each : point.readings) {
                          failed = failed || (each.unit == "ohm" && each.decision == record::Decision::fail);
                        }
                      },
                      fault_search(book(), type));
  // Probes that are asked for again because something is missing are not counted: the plain list asks
  // for them again just so.
  out.moves = static_cast<std::size_t>(std::ranges::count_if(
      hand.moves(), [](const HandMove& each) { return !each.again; }));
  const auto found = diagnosis::diagnose(out.done.run, book());
  if (found && found->conclusion == diagnosis::Conclusion::fault) out.first = found->causes[0].faults[0];
  if (found && found->conclusion == diagnosis::Conclusion::healthy) out.first = "healthy";
  return out;
}

TEST(FindFault, ReachesTheFaultWithFewMoves) {
  // A good board's bring-up takes 31.
  const std::map<std::string, std::string> faults{
      {R"({"fault": "lo-swapped"})", "lo_swapped"},
      {R"({"fault": "lo-missing", "pin": 2})", "lo_missing_2"},
      {R"({"fault": "pairs-swapped", "phase": 90, "other_phase": 270})", "pairs_swapped_90_270"},
      {R"({"fault": "bias-low", "factor": 0.5})", "bias_wrong"},
      {R"({"fault": "capacitor-path-open", "phase": 90})", "path_open_90"},
  };
  for (const auto& [fault, name] : faults) {
    const Found found = find_fault(fault);
    EXPECT_EQ(found.first, name) << told(found.done);
    EXPECT_LE(found.moves, 15U) << fault << told(found.done);
    EXPECT_EQ(found.done.run.outcome, record::Outcome::complete) << told(found.done);
    EXPECT_FALSE(found.power_after_failure) << fault;
    EXPECT_EQ(std::ranges::count(found.done.run.events, "search-ended", &record::Event::id), 1);
  }
}

TEST(FindFault, WhatKeepsPowerOffIsMeasuredFirst) {
  const Found found = find_fault(R"({"fault": "supply-short", "rail": "switch_logic", "ohm": 5})");
  EXPECT_EQ(found.done.run.outcome, record::Outcome::unsafe) << told(found.done);
  EXPECT_FALSE(found.done.readings.contains("supply_current"));
  EXPECT_EQ(found.first, "switch_supply_short") << told(found.done);
}

TEST(FindFault, PowerStaysOffOnceAWireIsFoundOpen) {
  const Found found = find_fault(R"({"fault": "via-open", "pin": 12})");
  EXPECT_EQ(found.first, "via_open_12") << told(found.done);
  EXPECT_FALSE(found.power_after_failure);
}

TEST(FindFault, AGoodBoardIsMeasuredToTheEnd) {
  const auto bench = hand_bench();
  VirtualHand hand(bench->simulation(), std::nullopt);
  const script::BoardType type = *script::read_board_type(
      std::string(NIGHTBENCH_SOURCE_DIR) + "/sequences/library/board_types/heron-30.json");
  const Done done = bring_up(*bench, "H30-001", hand, {}, {}, fault_search(book(), type));
  EXPECT_EQ(record::verdict(done.run), record::Verdict::pass) << told(done);
  std::set<std::string> measured;
  for (const record::Point& point : done.run.points) measured.insert(point.label);
  for (const char* label : {"orientation", "continuity", "shorts", "DC", "LO", "splitter",
                            "switch outputs", "between the pairs", "I and Q"}) {
    EXPECT_TRUE(measured.contains(label)) << label;
  }
  EXPECT_FALSE(bench->simulation().truth().supply_on);
}

}  // namespace
}  // namespace nightbench::cli
