// The fault cases of the independent circuit simulation (tests/data/circuit_simulation), for which
// nothing in the fault book was adjusted: I and Q played to the normal path, test points compared as
// the scope's pairs are. The right fault must come first, or the answer must be "unclear" with the
// right one among the causes that are named, or, where the readings are those of a good board, it
// must be said that they would not show the right one.
#include <gtest/gtest.h>

#include <fstream>
#include <map>
#include <nlohmann/json.hpp>
#include <set>

#include "sequences/diagnosis/diagnose.hpp"
#include "sequences/diagnosis/diagnosis_text.hpp"
#include "sequences/engine/check_pair.hpp"
#include "tests/support/places.hpp"
#include "tests/virtual_bench/virtual_bench.hpp"

namespace nightbench::testing {
namespace {

using Json = nlohmann::json;

const std::string kSource = NIGHTBENCH_SOURCE_DIR;
const std::string kData = kSource + "/tests/data/circuit_simulation";

const Json& cases() {
  static const Json kCases = [] {
    std::ifstream stream(kData + "/cases.json");
    return Json::parse(stream)["cases"];
  }();
  return kCases;
}

const Json* find_case(const std::string& id) {
  for (const Json& each : cases()) {
    if (each["id"] == id) return &each;
  }
  return nullptr;
}

const diagnosis::FaultBook& book() {
  static const diagnosis::FaultBook kBook =
      *diagnosis::read_fault_book(kSource + "/sequences/library/fault_books/iq-receiver.json");
  return kBook;
}

// A run of the supply and one capture of I and Q.
record::Run play(const Json& one) {
  const std::string id = one["id"];
  const auto bench = VirtualBench::demo([&id](std::string& simulation, std::string&) {
    Json file = Json::parse(simulation, nullptr, true, true);
    file["instruments"]["scope"] = {{"model", "scope_playback"},
                                    {"codes", "16"},
                                    {"recordings", {kData + "/" + id + ".sigmf-meta"}}};
    simulation = file.dump();
  });
  const Json& inputs = one["inputs"];
  Json script{{"script", "playback"}};
  script["steps"] = {{{"step", "power"}, {"output", "on"}},
                     {{"step", "drive"},
                      {"rf", inputs["rf_hz"]},
                      {"lo", inputs["lo_hz"]},
                      {"level", inputs["level_dbm"]}},
                     {{"step", "pair"}}};
  const script::Plan plan = make_plan(script.dump(), library_text("board_types/heron-30.json"));
  record::MemoryJournal journal;
  struct Last final : engine::Observer {
    std::string run_id;
    void began(const record::Header& header) override { run_id = header.run_id; }
    void point(const record::Point&, const engine::Progress&) override {}
    void event(const record::Event&) override {}
    void ended(record::Outcome, const std::string&) override {}
  } last;
  const auto ending = bench->run_plan(plan, journal, "H30-001", &last);
  EXPECT_TRUE(ending) << (ending ? "" : describe(ending.error()));
  return *journal.load(last.run_id);
}

// A pair of the board type from the reference answers of two test points; `phase` is one of the
// case's, amplitudes below 1 mV are no line. Levels at the IF are left out: 100 kHz is far past the
// detector's corner.
record::Point pair(const Json& one, const std::string& check_id, const std::string& first,
                   const std::string& second, const std::string& phase) {
  const script::BoardType type =
      *script::read_board_type(kSource + "/sequences/library/board_types/heron-30.json");
  const script::PairCheck& check = type.bring_up.pairs.at(check_id);
  const Json& points = one["reference"]["points"];
  engine::Comparison seen;
  engine::Lines lines;
  lines.rf_hz = one["inputs"]["rf_hz"];
  lines.lo_hz = one["inputs"]["lo_hz"];
  for (const auto& [k, name] : {std::pair(0, first), std::pair(1, second)}) {
    seen.channels[k].amplitude_v = points[name]["amplitude_v"];
    seen.channels[k].u_amplitude_v = 1e-5;
    seen.channels[k].present = seen.channels[k].amplitude_v > 1e-3;
  }
  const Json& angle = one["reference"]["phases"][phase];
  seen.phase_deg = angle.is_number() ? angle.get<double>() : 0;
  seen.u_phase_deg = 0.1;
  seen.balance_db = 20 * std::log10(std::max(seen.channels[1].amplitude_v, 1e-9) /
                                    std::max(seen.channels[0].amplitude_v, 1e-9));
  seen.u_balance_db = 0.02;
  record::Point out;
  out.at = {{"rf_hz", lines.rf_hz}, {"lo_hz", lines.lo_hz}, {"offset_hz", lines.if_hz()},
            {"level_dbm", one["inputs"]["level_dbm"].get<double>()}};
  out.readings = engine::judge_pair(check, type.limits, {}, lines, seen);
  if (check.at == script::Carrier::intermediate) {
    std::erase_if(out.readings, [](const record::Reading& each) {
      return each.value && each.quantity.find(".level_") != std::string::npos;
    });
  }
  return out;
}

struct Case {
  std::string id;            // of I and Q; "" for none
  std::string points;        // of the test points; "" for none
  std::set<std::string> right;
};

std::ostream& operator<<(std::ostream& out, const Case& one) { return out << one.id << one.points; }

// Wiring faults by their place; values by what was changed (the title of each case says it).
const std::vector<Case> kFaults{
    {"lo_phase_5deg", "tp_lo_phase_5deg", {"lo_phase_error"}},
    {"lo_duty_55", "", {"lo_duty"}},
    {"gain_resistor_2pct", "", {"gain_resistor_i", "healthy"}},
    {"cap_mismatch_5pct", "", {"capacitor_value_i", "capacitor_value_q", "healthy"}},
    {"lo_phase_2deg", "", {"lo_phase_error", "healthy"}},
    {"bias_low_20pct", "", {"bias_wrong"}},
    {"cap_path_open_90", "tp_cap_path_open_90", {"path_open_90", "capacitor_open_90"}},
    {"splitter_open_phase", "tp_splitter_open_phase", {"splitter_phase_open"}},
    {"splitter_reversed", "tp_unpowered_splitter_reversed", {"splitter_half_reversed"}},
    {"", "tp_unpowered_splitter_open_phase", {"splitter_phase_open"}},
    {"pins_5_4_interchanged", "tp_pins_5_4_interchanged", {"pins_interchanged_5_4"}},
    {"pairs_90_270_swapped", "", {"pairs_swapped_90_270"}},
    {"pairs_90_180_swapped", "", {"pairs_swapped_90_180"}},
    {"lo_swapped", "tp_lo_swapped", {"lo_swapped"}},
    {"lo_pin2_stuck_low", "tp_lo_pin2_stuck_low", {"lo_missing_2"}},
    {"lo_pin14_stuck_low", "", {"lo_missing_14"}},
    {"opamp_plus_open_q", "tp_opamp_plus_open_q", {"plus_open_q"}},
    {"opamp_minus_open_q", "tp_opamp_minus_open_q", {"minus_open_q"}},
};

record::Run run_of(const Case& one) {
  record::Run run;
  if (!one.id.empty()) {
    run = play(*find_case(one.id));
    // The simulated board beside the playback is a good one: nothing but the capture is the case's.
    std::erase_if(run.points, [](const record::Point& each) { return each.at.empty(); });
  } else {
    run.header.board_type_text = library_text("board_types/heron-30.json");
  }
  if (one.points.empty()) return run;
  const Json& points = *find_case(one.points);
  if (one.points.find("unpowered") != std::string::npos) {
    run.points.push_back(pair(points, "splitter", "pin7", "pin9", "pin9_minus_pin7_deg"));
    return run;
  }
  run.points.push_back(pair(points, "lo", "pin14", "pin2", "pin2_minus_pin14_deg"));
  run.points.push_back(pair(points, "switch_0_180", "pin6", "pin3", "pin3_minus_pin6_deg"));
  run.points.push_back(pair(points, "switch_90_270", "pin5", "pin4", "pin4_minus_pin5_deg"));
  return run;
}

class FaultCases : public ::testing::TestWithParam<Case> {};

TEST_P(FaultCases, AreFirstOrUnclear) {
  const Case& one = GetParam();
  const record::Run run = run_of(one);
  const auto found = diagnosis::diagnose(run, book(), {.most_causes = 60, .pairs = true});
  ASSERT_TRUE(found) << describe(found.error());
  const auto right = [&](const diagnosis::Cause& cause) {
    return std::ranges::any_of(cause.faults,
                               [&](const std::string& each) { return one.right.contains(each); });
  };
  const auto unseen = [&](const diagnosis::Unseen& each) { return one.right.contains(each.fault); };
  const std::string told = diagnosis::text_of(*found, run);
  switch (found->conclusion) {
    case diagnosis::Conclusion::healthy:
      EXPECT_TRUE(one.right.contains("healthy") || std::ranges::any_of(found->unseen, unseen)) << told;
      break;
    case diagnosis::Conclusion::fault: EXPECT_TRUE(right(found->causes.front())) << told; break;
    case diagnosis::Conclusion::unclear:
      EXPECT_TRUE(one.right.contains("healthy") || std::ranges::any_of(found->causes, right)) << told;
      break;
    default: ADD_FAILURE() << told;
  }
  RecordProperty("conclusion", diagnosis::word(found->conclusion));
  std::printf("%s: %s\n", (one.id + " " + one.points).c_str(), found->sentence.c_str());
}

INSTANTIATE_TEST_SUITE_P(CircuitSimulation, FaultCases, ::testing::ValuesIn(kFaults), [](const auto& each) {
  return each.param.id.empty() ? each.param.points : each.param.id;
});

TEST(FaultCases, HealthyBoardsAreNotCalledFaulty) {
  for (const char* id : {"healthy_mid_above", "healthy_mid_below", "healthy_tolerance", "level_m46"}) {
    const record::Run run = play(*find_case(id));
    const auto found = diagnosis::diagnose(run, book());
    ASSERT_TRUE(found);
    EXPECT_EQ(found->conclusion, diagnosis::Conclusion::healthy) << diagnosis::text_of(*found, run);
  }
}

}  // namespace
}  // namespace nightbench::testing
