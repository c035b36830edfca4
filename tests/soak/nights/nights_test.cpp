// Random nights for every build; the ten thousand are tests/soak/nights/main.cpp.
#include <gtest/gtest.h>
#include <spdlog/spdlog.h>

#include "tests/soak/nights/night.hpp"
#include "tests/support/process.hpp"

namespace nightbench::testing {
namespace {

// What the service says of each night is in its story.
const bool kQuiet = [] {
  spdlog::set_level(spdlog::level::off);
  return true;
}();

NightOutcome night(std::uint64_t seed, Sabotage sabotage = Sabotage::none,
                   const std::string& theme = "") {
  const ScratchFolder folder;
  return run_night(draw_night(seed, theme), sabotage, folder.path());
}

// In pieces, so that they run beside each other.
class Nights : public ::testing::TestWithParam<int> {};

TEST_P(Nights, AreAsTheyMustBeWhateverHappens) {
  constexpr int kPiece = 25;
  Tally all;
  for (int n = 0; n < kPiece; ++n) {
    const auto seed = static_cast<std::uint64_t>(GetParam() * kPiece + n + 1);
    const NightOutcome seen = night(seed);
    all.add(seen.tally);
    for (const std::string& each : seen.findings) {
      ADD_FAILURE() << "night " << seed << " (replay: soak_nights --nights 1 --story --seed " << seed
                    << "): " << each;
    }
  }
  EXPECT_GT(all.kills, 0U);
  EXPECT_GT(all.strikes, 0U);
  EXPECT_GT(all.compared, 500U);
}

INSTANTIATE_TEST_SUITE_P(TwoHundred, Nights, ::testing::Range(0, 8));

TEST(Night, IsTheSameForTheSameSeed) {
  ASSERT_TRUE(kQuiet);
  for (const std::uint64_t seed : {3U, 4U}) {
    const NightOutcome first = night(seed);
    const NightOutcome again = night(seed);
    EXPECT_EQ(first.fingerprint, again.fingerprint) << seed;
    EXPECT_EQ(first.story, again.story) << seed;
  }
  EXPECT_NE(night(3).fingerprint, night(4).fingerprint);
}

// How many of the nights find that the daemon is broken; two are enough.
int caught(Sabotage sabotage, int nights, const std::string& words, const std::string& theme = "") {
  int out = 0;
  for (int seed = 1; seed <= nights && out < 2; ++seed) {
    const NightOutcome seen = night(static_cast<std::uint64_t>(seed), sabotage, theme);
    for (const std::string& each : seen.findings) {
      if (each.find(words) == std::string::npos) continue;
      ++out;
      break;
    }
  }
  return out;
}

TEST(BrokenDaemon, ThatWritesItsJournalLateIsCaught) {
  EXPECT_GE(caught(Sabotage::late_journal, 20, "of them are in the store"), 2);
}

TEST(BrokenDaemon, ThatDoesNotGiveTheSettingsAgainIsCaught) {
  // Read-back finds most of what was lost; a supply that fell back by itself is asked by nobody.
  EXPECT_GE(caught(Sabotage::no_settings, 40, "points without a reading", "reset"), 2);
}

TEST(BrokenDaemon, WithoutAGuardianIsCaught) {
  EXPECT_GE(caught(Sabotage::no_guardian, 20, "still on 2 s after"), 2);
}

}  // namespace
}  // namespace nightbench::testing
