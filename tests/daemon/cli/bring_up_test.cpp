// Guided bring-up end to end on virtual time: a healthy board, the gate before power, shorts.
#include "bring_up.hpp"

#include <gtest/gtest.h>

namespace nightbench::cli {
namespace {

using namespace testing;  // NOLINT: the helpers of this folder's tests

TEST(BringUp, AHealthyBoardPassesWithEveryPromptAnswered) {
  const auto bench = hand_bench();
  VirtualHand hand(bench->simulation(), std::nullopt);
  const Done done = bring_up(*bench, "H30-001", hand);
  EXPECT_EQ(done.run.outcome, record::Outcome::complete) << told(done);
  EXPECT_EQ(record::verdict(done.run), record::Verdict::pass) << told(done);
  EXPECT_EQ(done.run.points.size(), done.run.header.planned_points);
}

}  // namespace
}  // namespace nightbench::cli
