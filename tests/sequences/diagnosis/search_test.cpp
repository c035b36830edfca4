#include "sequences/diagnosis/search.hpp"

#include <gtest/gtest.h>

#include <algorithm>

#include "made_run.hpp"

namespace nightbench::diagnosis {
namespace {

using namespace testing;  // NOLINT: the helpers of this folder's tests

std::vector<Check> checks(const std::vector<std::string>& ids) {
  std::vector<Check> out;
  for (Check& each : checks_of(heron(), book())) {
    if (std::ranges::find(ids, each.id) != ids.end()) out.push_back(std::move(each));
  }
  return out;
}

TEST(Search, MeasuresWhatTellsTheSuspectsApart) {
  Outputs made;
  made.q_minus_i_deg = -90;
  const auto evidence = evidence_of(run({{"outputs", outputs(made)}}), heron());
  const SearchStep next =
      next_step(book(), heron(), evidence, checks({"cross_6_13", "lo", "leak_0"}), {}, true);
  ASSERT_TRUE(next.check) << next.why;
  EXPECT_EQ(next.check->check.id, "lo") << next.why;
}

TEST(Search, EndsWhenTheFaultIsFound) {
  Outputs made;
  made.q_minus_i_deg = -90;
  const auto evidence =
      evidence_of(run({{"outputs", outputs(made)}, {"lo", pair("lo", 90, kLo_v, kLo_v)}}), heron());
  const SearchStep next = next_step(book(), heron(), evidence, checks({"cross_6_13"}), {}, true);
  EXPECT_FALSE(next.check);
  EXPECT_NE(next.why.find("LO lines exchanged"), std::string::npos) << next.why;
}

TEST(Search, AGoodBoardIsMeasuredToTheEnd) {
  const auto evidence = evidence_of(run(), heron());
  EXPECT_TRUE(next_step(book(), heron(), evidence, checks({"cross_6_13"}), {}, true).check);
  EXPECT_FALSE(next_step(book(), heron(), evidence, {}, {}, true).check);
}

TEST(Search, ProbesThatAreInPlaceCostNothing) {
  const Check lo = checks({"lo"}).front();
  EXPECT_EQ(moves_for(lo, {}), 2);
  EXPECT_EQ(moves_for(lo, {{}, {"lo_90", "lo_0"}}), 0);
  ProbePlaces places;
  place_for(lo, &places);
  EXPECT_EQ(moves_for(lo, places), 0);
}

}  // namespace
}  // namespace nightbench::diagnosis
