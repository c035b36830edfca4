// Walks samples/: every good file decodes, every wrong one is refused with the words of the .txt
// beside it. The first part of a name says what the file is; the folders under wrong/ say who can
// tell: syntax (no JSON), structure (docs/reference/schema refuses it too, see
// tests/docs/schema_test.py), meaning (only the program knows).
#include <gtest/gtest.h>

#include <fstream>
#include <set>
#include <sstream>

#include "script_helpers.hpp"
#include "sequences/script/plan.hpp"

namespace nightbench::script {
namespace {

using testing::heron;
using testing::kSamples;

Result<void> try_sample(const std::filesystem::path& path) {
  const std::string name = path.filename().string();
  if (name.starts_with("board-type.")) {
    TRY(read_board_type(path));
    return {};
  }
  TRY_ASSIGN(Script script, read_script(path, {}));
  if (name.starts_with("script.")) return {};
  EXPECT_TRUE(name.starts_with("plan.")) << name << " does not say what it is";
  SafeLimits safe;
  safe.rf_level_most_dbm = -15;  // below the board type's own -10 dBm
  safe.supply_most_v = 15;
  safe.supply_most_a = 0.25;
  return check(Plan(std::move(script), heron()), safe);
}

std::set<std::filesystem::path> files(const std::filesystem::path& folder, const char* extension) {
  std::set<std::filesystem::path> found;
  for (const auto& entry : std::filesystem::recursive_directory_iterator(folder)) {
    if (entry.path().extension() == extension) found.insert(entry.path());
  }
  return found;
}

TEST(SampleFiles, GoodOnesAreAccepted) {
  const auto all = files(kSamples / "good", ".json");
  for (const auto& path : all) {
    const auto accepted = try_sample(path);
    EXPECT_TRUE(accepted) << describe(accepted.error());
  }
  EXPECT_GE(all.size(), 5U);
}

TEST(SampleFiles, WrongOnesAreRefusedWithTheExpectedWords) {
  const auto all = files(kSamples / "wrong", ".json");
  for (const auto& path : all) {
    std::filesystem::path beside = path;
    std::ifstream stream(beside.replace_extension(".txt"));
    ASSERT_TRUE(stream) << beside << " is missing";
    std::string expected;
    std::getline(stream, expected);
    auto refused = try_sample(path);
    if (refused) {
      ADD_FAILURE() << path << " is accepted";
      continue;
    }
    EXPECT_EQ(refused.error().kind, ErrorKind::bad_input) << path;
    EXPECT_EQ(refused.error().file, path.string());
    refused.error().file = path.filename().string();
    EXPECT_EQ(describe(refused.error()), expected);
  }
  EXPECT_GE(all.size(), 100U);
}

TEST(SampleFiles, EveryExpectationHasItsFile) {
  for (std::filesystem::path path : files(kSamples, ".txt")) {
    EXPECT_TRUE(exists(path.replace_extension(".json"))) << path << " is missing";
  }
}

}  // namespace
}  // namespace nightbench::script
