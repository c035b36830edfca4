// The main job through the real program: a script on simulated boards over loopback sockets.
#include <gtest/gtest.h>
#include <signal.h>

#include <algorithm>
#include <cstdio>
#include <filesystem>
#include <nlohmann/json.hpp>
#include <set>

#include "program.hpp"

namespace nightbench::testing {
namespace {

using Json = nlohmann::json;
using std::chrono::seconds;

Json run_json(const std::vector<std::string>& more, const std::string& out, int* code) {
  std::vector<std::string> arguments{"run", "response", "--bench", kSimulatedBench, "--out", out,
                                     "--json", "--quiet"};
  arguments.insert(arguments.end(), more.begin(), more.end());
  Process program(kProgram, arguments);
  *code = program.wait(seconds(100));
  EXPECT_EQ(program.err(), "");
  return Json::parse(program.out(), nullptr, false);
}

TEST(MainJob, FourBoardsAreToldApart) {
  const ScratchFolder folder;
  int code = -1;
  const Json runs = run_json({"--board", "H30-001", "--board", "H30-002", "--board", "H30-003",
                              "--board", "H30-004", "--junit", folder / "junit.xml"},
                             folder.path(), &code);
  EXPECT_EQ(code, 1);
  ASSERT_EQ(runs.size(), 4U);
  const std::vector<std::string> verdicts{"pass", "pass", "fail", "fail"};
  for (std::size_t n = 0; n < 4; ++n) {
    EXPECT_EQ(runs[n]["verdict"], verdicts[n]) << runs[n].dump();
    EXPECT_EQ(runs[n]["outcome"], "complete");
    EXPECT_EQ(runs[n]["points"], runs[n]["planned_points"]);
    for (const char* kind : {"report", "results", "readings", "junit"}) {
      EXPECT_GT(std::filesystem::file_size(runs[n][kind].get<std::string>()), 500U) << kind;
    }
  }
  // Board 3 has 4 deg of LO quadrature error, which on such a board shows as gain and phase error
  // that fail image rejection; board 4 has lost one sampling path of Q.
  const auto failed = [&](std::size_t n) {
    const Json run = Json::parse(read_text(runs[n]["results"].get<std::string>()));
    std::set<std::string> out;
    for (const Json& point : run["points"]) {
      for (const Json& reading : point["readings"]) {
        if (reading["decision"] == "fail") out.insert(reading["quantity"].get<std::string>());
      }
    }
    return out;
  };
  EXPECT_TRUE(failed(2).contains("image_rejection"));
  EXPECT_FALSE(failed(2).contains("conversion_gain"));
  EXPECT_TRUE(failed(3).contains("gain_balance"));
  EXPECT_TRUE(failed(3).contains("image_rejection"));
}

TEST(MainJob, ExitsZeroWhenAllLimitsAreMet) {
  const ScratchFolder folder;
  int code = -1;
  run_json({"--board", "H30-001", "--set", "points=3"}, folder.path(), &code);
  EXPECT_EQ(code, 0);
}

// A kept capture, read again from its file, says what the run said.
TEST(MainJob, KeptCapturesGiveTheSameReadingsAgain) {
  const ScratchFolder folder;
  int code = -1;
  const Json runs = run_json({"--board", "H30-002", "--set", "points=2", "--keep-captures"},
                             folder.path(), &code);
  ASSERT_EQ(code, 0);
  std::vector<std::string> metas;
  for (const auto& entry : std::filesystem::recursive_directory_iterator(folder.path())) {
    if (entry.path().extension() == ".sigmf-meta") metas.push_back(entry.path().string());
  }
  ASSERT_EQ(metas.size(), 4U);
  const Json run = Json::parse(read_text(runs[0]["results"].get<std::string>()));
  int compared = 0;
  for (const Json& point : run["points"]) {
    if (point["label"] != "response") continue;
    char name[40];
    std::snprintf(name, sizeof name, "point-%06d.sigmf-meta", point["ordinal"].get<int>());
    const auto meta = std::find_if(metas.begin(), metas.end(), [&name](const std::string& file) {
      return file.ends_with(name);
    });
    ASSERT_NE(meta, metas.end()) << name;
    Process analyse(kProgram, {"analyse", *meta, "--rf", std::to_string(point["at"]["rf_hz"].get<double>()),
                               "--json"});
    ASSERT_EQ(analyse.wait(seconds(20)), 0) << analyse.err();
    const Json again = Json::parse(analyse.out());
    for (const Json& reading : point["readings"]) {
      if (reading["quantity"] != "gain_balance") continue;
      for (const Json& quantity : again["quantities"]) {
        if (quantity["name"] != "gain_balance_db") continue;
        // float32 volts in the file, codes in the run.
        EXPECT_NEAR(quantity["value"].get<double>(), reading["value"].get<double>(), 1e-5);
        ++compared;
      }
    }
  }
  EXPECT_EQ(compared, 4);
}

TEST(MainJob, ACaptureBudgetIsKept) {
  const ScratchFolder folder;
  int code = -1;
  run_json({"--board", "H30-001", "--set", "points=20", "--keep-captures", "--captures-most", "1"},
           folder.path(), &code);
  std::uintmax_t bytes = 0;
  for (const auto& entry : std::filesystem::recursive_directory_iterator(folder.path())) {
    if (entry.path().extension() == ".sigmf-data") bytes += entry.file_size();
  }
  EXPECT_GT(bytes, 100'000U);
  EXPECT_LE(bytes, 1'000'000U);
}

TEST(MainJob, TheReportMadeAgainFromTheStoreHasTheSameBytes) {
  const ScratchFolder folder;
  int code = -1;
  const Json runs =
      run_json({"--board", "H30-001", "--set", "points=3"}, folder / "first", &code);
  Process again(kProgram, {"report", "latest", "--store", folder / "first", "--out",
                           folder / "second", "--json"});
  ASSERT_EQ(again.wait(seconds(20)), 0) << again.err();
  const Json made = Json::parse(again.out());
  for (const char* kind : {"report", "results", "readings", "junit"}) {
    EXPECT_EQ(read_text(runs[0][kind].get<std::string>()), read_text(made[kind].get<std::string>()))
        << kind;
  }
}

TEST(MainJob, InterruptedInMidSweepLeavesTheBenchOffAndTheReadingsKept) {
  const ScratchFolder folder;
  SimulatedBenchProcess bench(folder);
  ASSERT_NE(bench.port("generator"), 0) << bench.process().err();
  Process program(kProgram, {"run", "response", "--bench", bench.bench_file(), "--board", "H30-001",
                             "--out", folder.path(), "--set", "points=20000"});
  const bool started = program.read_until(
      [](const Process& p) { return p.err().find("points (run") != std::string::npos; },
      seconds(20));
  ASSERT_TRUE(started) << program.err();
  // Points are in the store once its journal has grown past the header.
  const auto points_kept = [&folder] {
    Process list(kProgram, {"report", "--store", folder.path(), "--json"});
    if (list.wait(seconds(20)) != 0) return 0;
    const Json runs = Json::parse(list.out(), nullptr, false);
    return runs.is_array() && !runs.empty() ? runs[0]["points"].get<int>() : 0;
  };
  const auto limit = std::chrono::steady_clock::now() + seconds(60);
  while (points_kept() < 10 && std::chrono::steady_clock::now() < limit) {
    program.read_until([](const Process&) { return false; }, seconds(0));
  }
  ASSERT_GE(points_kept(), 10);
  program.signal(SIGINT);
  EXPECT_EQ(program.wait(seconds(30)), 130) << program.err();

  EXPECT_EQ(ask_socket(bench.port("generator"), ":OUTP?"), "0");
  EXPECT_EQ(ask_socket(bench.port("supply"), ":OUTP?"), "0");
  EXPECT_EQ(ask_socket(bench.port("clock"), ":OUTP1?"), "0");
  EXPECT_GE(points_kept(), 10);
  Process list(kProgram, {"report", "--store", folder.path(), "--json"});
  ASSERT_EQ(list.wait(seconds(20)), 0);
  EXPECT_EQ(Json::parse(list.out())[0]["outcome"], "interrupted");
}

TEST(MainJob, CheckTouchesNothingAndSaysHowMuch) {
  Process program(kProgram, {"check", "response", "--bench", kSimulatedBench, "--json"});
  ASSERT_EQ(program.wait(seconds(20)), 0) << program.err();
  const Json said = Json::parse(program.out());
  EXPECT_EQ(said["points"], 1 + 3 + 2 * 26);
  EXPECT_EQ(said["instruments"].size(), 5U);
}

TEST(MainJob, InstrumentsCheckNamesEveryInstrument) {
  Process program(kProgram, {"instruments", "check", "--bench", kSimulatedBench, "--json"});
  ASSERT_EQ(program.wait(seconds(20)), 0) << program.err();
  EXPECT_EQ(Json::parse(program.out()).size(), 6U);
}

}  // namespace
}  // namespace nightbench::testing
