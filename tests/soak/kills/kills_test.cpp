// A few kills for every build; the hundred are tests/soak/kills/main.cpp.
#include <gtest/gtest.h>

#include "tests/soak/kills/kills.hpp"

namespace nightbench::testing {
namespace {

TEST(Kills, AtRandomMomentsLoseNothingAndLeaveNothingOn) {
  const std::uint64_t kSeed = 20261;
  std::string lines;
  const Kills seen =
      kill_at_random(6, kSeed, [&lines](const std::string& line) { lines += line + "\n"; });
  EXPECT_EQ(seen.kills, 6);
  EXPECT_GE(seen.boards, 1);
  EXPECT_LE(seen.slowest_off_s, 2);
  for (const std::string& each : seen.findings) ADD_FAILURE() << each << "\n" << lines;
}

}  // namespace
}  // namespace nightbench::testing
