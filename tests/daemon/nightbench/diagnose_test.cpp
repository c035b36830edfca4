// `nightbench diagnose` and the diagnosis in the report, through the real program.
#include <gtest/gtest.h>

#include <filesystem>
#include <nlohmann/json.hpp>

#include "program.hpp"

namespace nightbench::testing {
namespace {

using Json = nlohmann::json;
using std::chrono::seconds;

struct Done {
  int code = -1;
  std::string out, err;
};

Done program(const std::vector<std::string>& arguments) {
  Process process(kProgram, arguments);
  Done done;
  done.code = process.wait(seconds(100));
  done.out = process.out();
  done.err = process.err();
  return done;
}

Done run_board(const std::string& board, const std::string& out) {
  return program({"run", "response", "--bench", kSimulatedBench, "--board", board, "--out", out,
                  "--quiet", "--json", "--set", "points=3"});
}

// Board 4 has lost its 90 deg sampling path: half of the differential signal of Q is left. Without a
// probe on the board several causes do that, and the next check is what tells them apart.
TEST(Diagnose, AFaultyBoardHasCausesAReportThatNamesThemAndANextCheck) {
  const ScratchFolder folder;
  const Done ran = run_board("H30-004", folder.path());
  EXPECT_EQ(ran.code, 1) << ran.err;
  const Done done = program({"diagnose", "H30-004", "--store", folder.path(), "--json"});
  EXPECT_EQ(done.code, 1) << done.err;
  const Json found = Json::parse(done.out);
  ASSERT_FALSE(found["causes"].empty());
  bool named = false;
  for (const Json& cause : found["causes"]) {
    for (const Json& id : cause["faults"]) named = named || id == "path_open_90";
    EXPECT_FALSE(cause["repairs"].empty());
  }
  EXPECT_TRUE(named) << found.dump(1);
  EXPECT_FALSE(found["next_checks"].empty());
  const std::string report = read_text(Json::parse(ran.out)[0]["report"].get<std::string>());
  EXPECT_NE(report.find("Where the fault is likely to be"), std::string::npos);
  EXPECT_NE(report.find("Readings for it"), std::string::npos);

  const Done text = program({"diagnose", "latest", "--store", folder.path()});
  EXPECT_EQ(text.code, 1);
  EXPECT_NE(text.out.find("What would tell most next"), std::string::npos) << text.out;
  // A results file serves as well as the store.
  const Done file = program({"diagnose", Json::parse(ran.out)[0]["results"].get<std::string>(), "--json"});
  EXPECT_EQ(Json::parse(file.out), found);
}

TEST(Diagnose, AGoodBoardIsGoodAndItsReportNamesNoFault) {
  const ScratchFolder folder;
  const Done ran = run_board("H30-001", folder.path());
  EXPECT_EQ(ran.code, 0) << ran.err;
  const Done done = program({"diagnose", "latest", "--store", folder.path(), "--json"});
  EXPECT_EQ(done.code, 0) << done.out;
  EXPECT_EQ(Json::parse(done.out)["conclusion"], "healthy");
  const std::string report = read_text(Json::parse(ran.out)[0]["report"].get<std::string>());
  EXPECT_EQ(report.find("Where the fault is likely to be"), std::string::npos);
}

TEST(Diagnose, WhatCannotBeReadIsRefusedWithItsName) {
  const ScratchFolder folder;
  EXPECT_EQ(run_board("H30-001", folder.path()).code, 0);
  const Done run = program({"diagnose", "H30-002", "--store", folder.path()});
  EXPECT_EQ(run.code, 2);
  EXPECT_NE(run.err.find("H30-002"), std::string::npos) << run.err;
  const Done book = program({"diagnose", "latest", "--store", folder.path(), "--book", "iq-reciever"});
  EXPECT_EQ(book.code, 2);
  EXPECT_NE(book.err.find("iq-receiver"), std::string::npos) << book.err;
}

TEST(Baseline, AGoodBoardStandsBesideInTableAndCurves) {
  const ScratchFolder folder;
  EXPECT_EQ(run_board("H30-001", folder.path()).code, 0);
  EXPECT_EQ(run_board("H30-004", folder.path()).code, 1);
  const Done done = program({"report", "H30-004", "--store", folder.path(), "--baseline", "H30-001",
                             "--out", folder / "beside", "--json"});
  EXPECT_EQ(done.code, 0) << done.err;
  const std::string report = read_text(Json::parse(done.out)["report"].get<std::string>());
  EXPECT_NE(report.find("Beside the baseline"), std::string::npos);
  EXPECT_NE(report.find("baseline H30-001"), std::string::npos) << "in a curve's legend";
  EXPECT_NE(report.find(">differs<"), std::string::npos);
  EXPECT_NE(report.find(">alike<"), std::string::npos);
  const Done itself =
      program({"report", "H30-004", "--store", folder.path(), "--baseline", "H30-004"});
  EXPECT_EQ(itself.code, 2);
  EXPECT_NE(itself.err.find("the run itself"), std::string::npos) << itself.err;
}

}  // namespace
}  // namespace nightbench::testing
