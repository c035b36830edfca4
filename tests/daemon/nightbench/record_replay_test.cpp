// `run --record`, and the same run again from the recording.
#include <gmock/gmock.h>

#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>

#include "program.hpp"

namespace nightbench::testing {
namespace {

using ::testing::HasSubstr;
using Json = nlohmann::json;
using std::chrono::seconds;

class RecordAndReplay : public ::testing::Test {
 protected:
  // Runs, and gives the exit code; `results` are those of the one board.
  int run(std::vector<std::string> arguments, Json* results = nullptr, std::string* said = nullptr) {
    arguments.insert(arguments.begin(), "run");
    for (const char* each : {"--out", "--json", "--quiet"}) {
      arguments.emplace_back(each);
      if (std::string(each) == "--out") arguments.push_back(folder_ / "out");
    }
    Process program(kProgram, arguments);
    const int code = program.wait(seconds(100));
    if (said != nullptr) *said = program.err();
    const Json runs = Json::parse(program.out(), nullptr, false);
    if (results != nullptr && runs.is_array() && !runs.empty()) {
      *results = Json::parse(read_text(runs[0]["results"].get<std::string>()));
    }
    return code;
  }

  // The bench file of the demo as one that replays night.jsonl.
  std::string replay_bench(const std::string& original) {
    std::string text = read_text(original);
    const std::string kind = "\"kind\": \"simulated\"";
    text.replace(text.find(kind), kind.size(), "\"kind\": \"replay\"");
    const std::size_t at = text.find("\"simulation\": ");
    text.replace(at, text.find(',', at) - at, "\"recording\": \"night.jsonl\"");
    std::ofstream(folder_ / "replay.json") << text;
    return folder_ / "replay.json";
  }

  static Json readings(const Json& results) {
    Json out = Json::array();
    for (const Json& point : results["points"]) {
      out.push_back({point["ordinal"], point["label"], point["readings"], point.value("notes", Json())});
    }
    return out;
  }

  ScratchFolder folder_;
};

TEST_F(RecordAndReplay, TheReadingsAreTheSameToTheLastBit) {
  Json recorded;
  ASSERT_EQ(run({"response", "--bench", kSimulatedBench, "--board", "H30-003", "--set", "points=5",
                 "--record", folder_ / "night.jsonl"},
                &recorded),
            1);
  const std::string bench = replay_bench(kSimulatedBench);
  Json replayed;
  std::string said;
  ASSERT_EQ(run({"response", "--bench", bench, "--board", "H30-003", "--set", "points=5"}, &replayed,
                &said),
            1)
      << said;
  EXPECT_EQ(readings(replayed), readings(recorded));
  EXPECT_EQ(replayed["header"]["bench_kind"], "replay");
  // To the minute of the recording: what the report says of time is of then.
  EXPECT_EQ(replayed["header"]["started"].get<std::string>().substr(0, 15),
            recorded["header"]["started"].get<std::string>().substr(0, 15));
}

TEST_F(RecordAndReplay, AnotherScriptIsADifferenceThatShowsBothCommands) {
  ASSERT_EQ(run({"response", "--bench", kSimulatedBench, "--board", "H30-001", "--set", "points=2",
                 "--record", folder_ / "night.jsonl"}),
            0);
  std::string said;
  Json replayed;
  EXPECT_EQ(run({"response", "--bench", replay_bench(kSimulatedBench), "--board", "H30-001", "--set",
                 "points=2", "--set", "from=10.101 MHz"},
                &replayed, &said),
            2);
  EXPECT_THAT(said, HasSubstr("the recording goes on with write"));
  EXPECT_THAT(said, HasSubstr("10096000"));
  EXPECT_NE(replayed["outcome"], "complete");
}

TEST_F(RecordAndReplay, ABringUpIsReplayedWithItsAnswers) {
  const std::string bench = kSource + "/docs/examples/bench-bring-up.json";
  Json recorded;
  const int code = run({"bring-up", "--bench", bench, "--board", "H30-001", "--hand", "clumsy:3",
                        "--record", folder_ / "night.jsonl"},
                       &recorded);
  ASSERT_FALSE(recorded.is_null());
  Json replayed;
  std::string said;
  EXPECT_EQ(run({"bring-up", "--bench", replay_bench(bench), "--board", "H30-001"}, &replayed, &said),
            code)
      << said;
  EXPECT_EQ(readings(replayed), readings(recorded));
}

TEST_F(RecordAndReplay, AFileThatIsThereStopsTheRunBeforeItBegins) {
  std::ofstream(folder_ / "night.jsonl") << "mine";
  std::string said;
  EXPECT_EQ(run({"response", "--bench", kSimulatedBench, "--board", "H30-001", "--record",
                 folder_ / "night.jsonl"},
                nullptr, &said),
            2);
  EXPECT_THAT(said, HasSubstr("never written over"));
  EXPECT_EQ(read_text(folder_ / "night.jsonl"), "mine");
}

}  // namespace
}  // namespace nightbench::testing
