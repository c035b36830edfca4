// nightbench run with its guardian: killed, stopped, without one, on instruments that take one
// connection only. The simulated bench is a process of its own and lives on.
#include <gmock/gmock.h>
#include <signal.h>
#include <sys/stat.h>

#include <nlohmann/json.hpp>

#include "../nightbench/program.hpp"

namespace nightbench::testing {
namespace {

using Json = nlohmann::json;
using std::chrono::milliseconds;
using std::chrono::seconds;
using Steady = std::chrono::steady_clock;
using ::testing::HasSubstr;

const std::string kSimulation = kSource + "/mock_instruments/benches/heron-30-typical.json";

struct GuardedRun : ::testing::Test {
  ScratchFolder folder;
  std::unique_ptr<SimulatedBenchProcess> bench;
  std::unique_ptr<Process> program;

  void start_bench(const std::string& simulation = kSimulation) {
    bench = std::make_unique<SimulatedBenchProcess>(folder, simulation);
    ASSERT_NE(bench->port("supply"), 0) << bench->process().err();
    Json file = Json::parse(read_text(bench->bench_file()));
    file["guardian"] = {{"watchdog", "1 s"}, {"patience", "20 s"}};
    write_text(bench->bench_file(), file.dump());
  }

  void start_run(const std::vector<std::string>& environment = {}) {
    program = std::make_unique<Process>(
        kProgram,
        std::vector<std::string>{"run", "response", "--bench", bench->bench_file(), "--board",
                                 "H30-001", "--out", folder / "out", "--set", "points=400"},
        environment);
  }

  int points_kept() {
    Process list(kProgram, {"report", "--store", folder / "out", "--json"});
    if (list.wait(seconds(20)) != 0) return 0;
    const Json runs = Json::parse(list.out(), nullptr, false);
    return runs.is_array() && !runs.empty() ? runs[0]["points"].get<int>() : 0;
  }
  // Under way with outputs on: pairs were measured.
  void get_under_way() {
    const auto end = Steady::now() + seconds(40);
    while (points_kept() < 6 && Steady::now() < end) {
      program->read_until([](const Process&) { return false; }, seconds(0));
    }
    ASSERT_GE(points_kept(), 6) << program->err();
  }

  bool off(const char* instrument, const char* query = ":OUTP?") {
    return ask_socket(bench->port(instrument), query) == "0";
  }
  bool off_within(milliseconds most) {
    const auto end = Steady::now() + most;
    do {
      if (off("supply") && off("generator") && off("clock", ":OUTP1?")) return true;
    } while (Steady::now() < end);
    return false;
  }
  std::string log() { return read_text(folder / "out/guardian.log"); }
};

TEST_F(GuardedRun, KilledItIsOffWithinTwoSeconds) {
  start_bench();
  start_run();
  get_under_way();
  program->signal(SIGKILL);
  EXPECT_TRUE(off_within(seconds(2)));
  EXPECT_EQ(program->wait(seconds(20)), 128 + SIGKILL);
  EXPECT_THAT(log(), HasSubstr("supply is off"));
  EXPECT_THAT(program->err(), HasSubstr("nightbench-guardian: supply is off"));
}

TEST_F(GuardedRun, StoppedItIsEndedAndOffSoonAfterItsWatchdog) {
  start_bench();
  start_run();
  get_under_way();
  program->signal(SIGSTOP);
  EXPECT_TRUE(off_within(seconds(1) + seconds(2)));
  EXPECT_EQ(program->wait(seconds(20)), 128 + SIGKILL);
  EXPECT_THAT(log(), HasSubstr("it hangs and is ended; switching off"));
}

TEST_F(GuardedRun, InstrumentsThatTakeOneConnectionOnlyGoOffToo) {
  std::string simulation = read_text(kSimulation);
  for (const char* model : {"rf_source", "lo_source", "supply"}) {
    const std::string at = std::string("\"model\": \"") + model + "\"";
    simulation.replace(simulation.find(at), at.size(), at + ", \"second_client\": \"refuse\"");
  }
  write_text(folder / "simulation.json", simulation);
  start_bench(folder / "simulation.json");
  start_run();
  get_under_way();
  EXPECT_EQ(ask_socket(bench->port("supply"), ":OUTP?"), "");  // refused: the run has it
  program->signal(SIGKILL);
  // Asking would keep the guardian out: its own word comes first.
  const auto end = Steady::now() + seconds(2);
  while (log().find("supply is off") == std::string::npos && Steady::now() < end) {
    program->read_until([](const Process&) { return false; }, seconds(0));
  }
  EXPECT_EQ(program->wait(seconds(20)), 128 + SIGKILL);  // the guardian has ended as well
  EXPECT_TRUE(off_within(seconds(1))) << log();
}

TEST_F(GuardedRun, WithoutAGuardianNothingIsEnabled) {
  start_bench();
  start_run({"NIGHTBENCH_GUARDIAN=/nowhere/guardian"});
  EXPECT_EQ(program->wait(seconds(20)), 3);
  EXPECT_THAT(program->err(), HasSubstr("so no output is enabled"));
  EXPECT_EQ(points_kept(), 0);
  EXPECT_TRUE(off("supply"));
}

TEST_F(GuardedRun, WhenTheGuardianDiesTheRunEndsAndIsOff) {
  start_bench();
  start_run();
  get_under_way();
  // "2026-11-26T16:12:33.123Z 4711 watching ..."
  const std::string line = log();
  kill(std::stoi(line.substr(line.find(' ') + 1)), SIGKILL);
  EXPECT_EQ(program->wait(seconds(20)), 130);
  EXPECT_THAT(program->err(), HasSubstr("the guardian has ended"));
  EXPECT_TRUE(off_within(seconds(0)));
}

// What these tests see, they see through: with a guardian that only pretends, the outputs stay on.
TEST_F(GuardedRun, AGuardianThatOnlyPretendsIsFoundOut) {
  start_bench();
  write_text(folder / "pretender",
             "#!/bin/sh\nread order\necho ready >&0\nread arm\necho armed >&0\n"
             "while read word; do :; done\n");
  ASSERT_EQ(chmod((folder / "pretender").c_str(), 0755), 0);
  start_run({"NIGHTBENCH_GUARDIAN=" + (folder / "pretender")});
  get_under_way();
  program->signal(SIGKILL);
  EXPECT_FALSE(off_within(seconds(2)));
  EXPECT_EQ(ask_socket(bench->port("supply"), ":OUTP?"), "1");
}

}  // namespace
}  // namespace nightbench::testing
