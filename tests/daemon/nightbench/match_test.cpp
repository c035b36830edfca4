// `nightbench run match` keeps its result beside the bench file, and later runs use it while they may.
#include <gmock/gmock.h>

#include <fstream>
#include <nlohmann/json.hpp>

#include "program.hpp"

namespace nightbench::testing {
namespace {

using ::testing::HasSubstr;
using Json = nlohmann::json;
using std::chrono::seconds;

class MatchFile : public ::testing::Test {
 protected:
  void SetUp() override {
    std::string text = read_text(kSimulatedBench);
    const std::string relative = "../../mock_instruments";
    text.replace(text.find(relative), relative.size(), kSource + "/mock_instruments");
    std::ofstream(folder_ / "left.json") << text;
  }

  // The results of a run, or what it said on standard error.
  Json run(const std::string& script, std::string* error = nullptr) {
    Process program(kProgram, {"run", script, "--bench", folder_ / "left.json", "--board", "H30-001",
                               "--out", folder_ / "out", "--json", "--quiet", "--set",
                               script == "match" ? "at=i_out" : "points=2"});
    const int code = program.wait(seconds(60));
    if (error != nullptr) *error = program.err();
    if (code != 0) return {};
    return Json::parse(read_text(Json::parse(program.out())[0]["results"].get<std::string>()));
  }

  static std::string said(const Json& results, const std::string& id) {
    for (const Json& each : results["events"]) {
      if (each["id"] == id) return each["text"];
    }
    return "";
  }

  void edit(const std::string& from, const std::string& to) {
    std::string text = read_text(folder_ / "left.match.json");
    const std::size_t at = text.find(from);
    ASSERT_NE(at, std::string::npos) << text;
    text.replace(at, from.size(), to);
    std::ofstream(folder_ / "left.match.json") << text;
  }

  ScratchFolder folder_;
};

TEST_F(MatchFile, IsKeptBesideTheBenchFileAndUsed) {
  EXPECT_THAT(said(run("response"), "channels-not-matched"), HasSubstr("never matched"));
  const Json made = run("match");
  ASSERT_FALSE(made.is_null());
  EXPECT_THAT(said(made, "match-kept"), HasSubstr("left.match.json"));
  const Json kept = Json::parse(read_text(folder_ / "left.match.json"));
  EXPECT_EQ(kept["rows"].size(), 5U);
  EXPECT_THAT(said(run("response"), "channels-matched"), HasSubstr("left.match.json, measured 2"));
}

TEST_F(MatchFile, IsNotUsedForAnotherScopeOrWhenItIsOld) {
  ASSERT_FALSE(run("match").is_null());
  const Json kept = Json::parse(read_text(folder_ / "left.match.json"));
  edit("\"measured\": \"20", "\"measured\": \"19");
  EXPECT_THAT(said(run("response"), "channels-not-matched"), HasSubstr("days old, good for 30"));
  edit(kept["scope"].get<std::string>(), "EXAMPLE WORKS,OTHER,1,1");
  EXPECT_THAT(said(run("response"), "channels-not-matched"), HasSubstr("another scope"));
}

TEST_F(MatchFile, ThatIsBrokenIsNamedBeforeAnythingIsTouched) {
  std::ofstream(folder_ / "left.match.json") << "{ \"match\": 3 }";
  std::string error;
  EXPECT_TRUE(run("response", &error).is_null());
  EXPECT_THAT(error, HasSubstr("left.match.json: at /match"));
}

}  // namespace
}  // namespace nightbench::testing
