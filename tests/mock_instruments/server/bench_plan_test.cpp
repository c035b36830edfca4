// The simulated bench file: what is accepted, and what is said about what is not.
#include "mock_instruments/server/bench_plan.hpp"
#include "tests/support/places.hpp"

#include <gtest/gtest.h>

namespace nightbench::mock::server {
namespace {

std::string said(const std::string& text) {
  const auto root = json::parse(text, "b.json");
  if (!root) return describe(root.error());
  const auto plan = decode_bench(*root, "/tmp");
  return plan ? "accepted" : describe(plan.error());
}

TEST(BenchPlan, ShippedFilesDecode) {
  for (const char* name : {"heron-30.json", "heron-30-typical.json"}) {
    const std::filesystem::path file =
        std::string(NIGHTBENCH_SOURCE_DIR) + "/mock_instruments/benches/" + name;
    const auto root = json::read_file(file);
    ASSERT_TRUE(root) << describe(root.error());
    const auto plan = decode_bench(*root, file.parent_path());
    ASSERT_TRUE(plan) << describe(plan.error());
    EXPECT_EQ(plan->instruments.size(), 6U);
    EXPECT_EQ(plan->boards.size(), 4U);
    EXPECT_EQ(plan->connections.size(), 8U);
    for (const BoardPlan& board : plan->boards) {
      EXPECT_TRUE(board::Board::make(board.parameters, board.faults)) << board.serial;
    }
  }
}

TEST(BenchPlan, EveryMemberArrives) {
  const auto root = json::parse(R"({
    "simulated_bench": "all", "seed": 9, "latency": "typical", "time_scale": 0.5,
    "temperature": "30 degC", "rf_path": {"loss": "1.5 dB"},
    "instruments": {
      "g": {"model": "rf_source", "frequency_error": "2 ppm", "harmonic3": "-30 dB",
            "settle": "3 ms", "port": 5025, "serial": "77", "identity": "SIM-G"},
      "s": {"model": "scope_curve", "channels": 4, "bits": 10, "gain_match": "2 %"},
      "m": {"model": "meter", "latency": "instant", "second_client": "refuse"},
      "r": {"model": "relays", "channels": [1, 2, 3]},
      "p": {"model": "supply", "outputs": 3}},
    "connections": [{"port": "m", "via": "r/2", "at": "mid_rail"}, {"port": "s/4", "at": "sw_6"}],
    "boards": {"B": {"design": "10mhz", "tolerances": false, "lo_phase_error": "-2 deg",
      "faults": [{"fault": "cold-joint", "joint": "path_90", "ohm": "1 kohm"}]}},
    "board": "B"})",
                                "b.json");
  ASSERT_TRUE(root);
  const auto plan = decode_bench(*root, "/tmp");
  ASSERT_TRUE(plan) << describe(plan.error());
  EXPECT_EQ(plan->seed, 9U);
  EXPECT_EQ(plan->temperature_c, 30.0);
  EXPECT_EQ(plan->rf_path_loss_db, 1.5);
  const InstrumentPlan& g = plan->instruments[0];
  EXPECT_EQ(g.name, "g");
  EXPECT_EQ(g.port, 5025);
  EXPECT_EQ(g.identity.model, "SIM-G");
  EXPECT_EQ(g.identity.serial, "77");
  EXPECT_EQ(g.latency.settle, std::chrono::milliseconds(3));
  EXPECT_EQ(g.latency.scale, 0.5);
  EXPECT_TRUE(g.latency.acquires);
  const auto& rf = std::get<instrument::RfSourceConfig>(g.model);
  EXPECT_EQ(rf.frequency_error_ppm, 2.0);
  EXPECT_EQ(rf.harmonic3_dbc, -30.0);
  EXPECT_FALSE(plan->instruments[1].latency.acquires);
  EXPECT_TRUE(plan->instruments[1].refuses_second_client);
  const auto& scope = std::get<ScopePlan>(plan->instruments[4].model);
  EXPECT_EQ(scope.config.bits, 10);
  EXPECT_EQ(scope.config.gain_match, 0.02);
  EXPECT_EQ(plan->connections[0].relays, "r");
  EXPECT_EQ(plan->connections[0].channel, 2);
  ASSERT_EQ(plan->boards.size(), 1U);
  EXPECT_EQ(plan->boards[0].parameters.lo_phase_error_deg, -2.0);
  EXPECT_EQ(plan->boards[0].parameters.filter_centre_hz, 10e6);
  ASSERT_EQ(plan->boards[0].faults.size(), 1U);
  EXPECT_EQ(plan->boards[0].faults[0].joint, board::Joint::path_90);
  EXPECT_EQ(plan->boards[0].faults[0].ohm, 1000.0);
}

TEST(BenchPlan, WrongFilesAreRefusedWithPlaceAndReason) {
  const std::string open = R"({"simulated_bench": "b", "instruments": {)";
  const std::vector<std::pair<std::string, std::string>> table{
      {R"({"instruments": {}})", "needs \"simulated_bench\", which is missing"},
      {R"({"simulated_bench": "b", "instruments": {}})", "expected at least one instrument"},
      {open + R"("m": {"model": "metre"}}})",
       "b.json: at /instruments/m/model: expected \"rf_source\", \"lo_source\", "},
      {open + R"("m": {"model": "metre"}}})", "did you mean \"meter\"?"},
      {open + R"("m": {"model": "meter", "nosie": 1}}})",
       "at /instruments/m/nosie: an instrument has no member \"nosie\"; did you mean \"noise\"?"},
      {open + R"("m": {"model": "meter", "port": 70000}}})",
       "at /instruments/m/port: expected a whole number from 0 to 65535, found 70000"},
      {open + R"("m": {"model": "meter", "settle": "5 parsecs"}}})", "at /instruments/m/settle: "},
      {open + R"("m": {"model": "meter", "settle": "-5 ms"}}})", "expected a value of 0 or more"},
      {open + R"("m": {"model": "meter"}}, "connections": [{"port": "n", "at": "i_out"}]})",
       "at /connections/0/port: expected a port of an instrument of this bench, found \"n\""},
      {open + R"("s": {"model": "scope_trace"}}, "connections": [{"port": "s/3", "at": "i_out"}]})",
       "at /connections/0/port: expected a port of an instrument of this bench, found \"s/3\""},
      {open + R"("m": {"model": "meter"}}, "connections": [{"port": "m", "at": "x"}]})",
       "at /connections/0: the board has no test point \"x\""},
      {open + R"("m": {"model": "meter"}}, "connections": [{"port": "m", "at": "i_out",
         "via": "r/1"}]})",
       "at /connections/0/via: expected a relay channel of this bench"},
      {open + R"("m": {"model": "meter"}}, "boards": {"A": {"design": "40m"}}})",
       "at /boards/A/design: expected \"30m\" or \"10mhz\", found \"40m\""},
      {open + R"("m": {"model": "meter"}}, "boards": {"A": {"design": "30m",
         "faults": [{"fault": "via-opne", "pin": 6}]}}})",
       "at /boards/A/faults/0/fault: expected "},
      {open + R"("m": {"model": "meter"}}, "boards": {"A": {"design": "30m",
         "faults": [{"fault": "via-open", "pin": 1}]}}})",
       "at /boards/A/faults/0: "},
      {open + R"("m": {"model": "meter"}}, "board": "A"})",
       "at /board: expected a serial number listed in \"boards\", found \"A\""},
      {open + R"("m": {"model": "meter", "troubles": [{"what": "drop"}]}}})",
       "at /instruments/m/troubles/0: a trouble needs \"when\", which is missing"},
      {open + R"("m": {"model": "meter", "troubles": [{"what": "droop", "when": {}}]}}})",
       "did you mean \"drop\"?"},
      {open + R"("m": {"model": "meter", "troubles": [{"what": "drop", "when": {"chance": 2}}]}}})",
       "at /instruments/m/troubles/0/when/chance: expected a probability from 0 to 1, found 2"},
      {open + R"("s": {"model": "scope_playback"}}})", "needs \"recordings\", which is missing"},
  };
  for (const auto& [text, wanted] : table) {
    EXPECT_NE(said(text).find(wanted), std::string::npos)
        << text << "\nsaid: " << said(text) << "\nnot:  " << wanted;
  }
}

}  // namespace
}  // namespace nightbench::mock::server
