// A hand that slips: every slip is caught from the signal and asked for again, and the readings
// that are kept are those of a steady hand.
#include <gtest/gtest.h>

#include <cmath>
#include <set>

#include "bring_up.hpp"

namespace nightbench::cli {
namespace {

using namespace testing;  // NOLINT: the helpers of this folder's tests

constexpr std::uint64_t kSeeds = 20;

int asked_again(const record::Point& point) {
  int count = 0;
  for (const std::string& note : point.notes) count += note.starts_with("asked again: ") ? 1 : 0;
  return count;
}

std::string told(const HandMove& move) {
  return move.measurement + ": " + move.port + " to " + move.asked + ", went to \"" + move.went +
         "\", slip " + std::to_string(static_cast<int>(move.slip)) + (move.again ? " (again)" : "");
}

// Two probes on points in antiphase may be exchanged without any signal showing it: each of the two
// is the other turned round, and so are the limits. Phase and balance come out mirrored.
bool mirrored(const HandMove& move) {
  static const std::set<std::string> antiphase{"splitter", "switch_0_180", "switch_90_270"};
  return move.slip == Slip::exchanged && antiphase.contains(move.measurement);
}

double mirror(const std::string& quantity, double value) {
  if (quantity.ends_with(".phase")) return 360 - value;
  return quantity.ends_with(".balance") ? -value : value;
}

TEST(ClumsyHand, EverySlipIsCaughtAskedAgainAndTheReadingsAreRight) {
  const auto steady_bench = hand_bench();
  VirtualHand steady(steady_bench->simulation(), std::nullopt);
  const Done wanted = bring_up(*steady_bench, "H30-001", steady);
  std::map<Slip, int> slips;
  for (std::uint64_t seed = 1; seed <= kSeeds; ++seed) {
    SCOPED_TRACE("seed " + std::to_string(seed));
    const auto bench = hand_bench();
    VirtualHand hand(bench->simulation(), seed);
    const Done done = bring_up(*bench, "H30-001", hand);
    EXPECT_EQ(done.run.outcome, record::Outcome::complete) << testing::told(done);
    EXPECT_EQ(record::verdict(done.run), record::Verdict::pass) << testing::told(done);

    // As often as a measurement saw a slip it was asked for again, and no other one was.
    std::set<std::string> slipped;
    std::set<std::string> turned;
    for (const HandMove& move : hand.moves()) {
      if (move.slip == Slip::none) continue;
      ++slips[move.slip];
      (mirrored(move) ? turned : slipped).insert(move.measurement);
    }
    std::size_t again = 0;
    for (const record::Point& point : done.run.points) again += asked_again(point) > 0 ? 1 : 0;
    EXPECT_EQ(again, slipped.size());
    for (const std::string& measurement : slipped) turned.erase(measurement);
    for (const std::string& measurement : slipped) {
      bool put_right = false;
      for (const HandMove& move : hand.moves()) {
        put_right = put_right || (move.measurement == measurement && move.again);
      }
      EXPECT_TRUE(put_right) << measurement << " was measured with a probe in the wrong place";
    }
    if (HasFailure()) {
      for (const HandMove& move : hand.moves()) std::puts(told(move).c_str());
    }

    for (const auto& [quantity, reading] : wanted.readings) {
      const auto found = done.readings.find(quantity);
      ASSERT_NE(found, done.readings.end()) << quantity;
      ASSERT_EQ(found->second.value.has_value(), reading.value.has_value()) << quantity;
      // Those that are judged; distortion has no stated U.
      if (!reading.value || (!reading.limit.lower && !reading.limit.upper)) continue;
      const bool other_way = turned.contains(quantity.substr(0, quantity.find('.')));
      const double value = other_way ? mirror(quantity, *reading.value) : *reading.value;
      EXPECT_NEAR(*found->second.value, value, found->second.expanded_u + reading.expanded_u)
          << quantity;
    }
  }
  // Every kind of slip was tried.
  EXPECT_GT(slips[Slip::in_the_air], 5);
  EXPECT_GT(slips[Slip::neighbour], 5);
  EXPECT_GT(slips[Slip::exchanged], 5);
}

}  // namespace
}  // namespace nightbench::cli
