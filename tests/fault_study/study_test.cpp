// The study in small: floors that a change of the fault book or of the diagnosis must not fall below.
#include "tests/fault_study/study.hpp"

#include <gtest/gtest.h>

namespace nightbench::testing {
namespace {

constexpr std::uint64_t kSeed = 7;

TEST(FaultStudy, MostFaultsAreFirstAmongTheCauses) {
  int boards = 0, first = 0, three = 0;
  for (const FaultCase& each : fault_cases()) {
    const CaseResult result = study(each, 2, kSeed);
    for (const BoardResult& board : result.boards) {
      ++boards;
      first += board.first ? 1 : 0;
      three += board.among_three ? 1 : 0;
      if (!board.first) std::printf("%s: %s\n", board.truth.c_str(), board.answer.c_str());
    }
  }
  EXPECT_GE(first, boards * 90 / 100) << "of " << boards;
  EXPECT_GE(three, boards * 96 / 100) << "of " << boards;
}

TEST(FaultStudy, GoodBoardsAreCalledGood) {
  const CaseResult result = study_good(20, kSeed);
  EXPECT_EQ(result.share(&BoardResult::first), 1);
}

TEST(FaultStudy, OneOfTwoFaultsIsFound) {
  const CaseResult result = study_pairs(20, kSeed);
  EXPECT_GE(result.share(&BoardResult::first), 0.9);
}

}  // namespace
}  // namespace nightbench::testing
