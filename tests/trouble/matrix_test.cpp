// Every trouble against a running sweep: a correct reading, or none and the reason; never a wrong
// number, never a hang. Prints the matrix, a row a test.
#include "tests/trouble/matrix.hpp"

#include <gtest/gtest.h>

#include <cstdio>

namespace nightbench::testing {
namespace {

class TroubleMatrix : public ::testing::TestWithParam<std::string> {};

TEST_P(TroubleMatrix, ACorrectReadingOrNoneAndTheReason) {
  const std::vector<TroubleCell> row = trouble_row(GetParam());
  std::printf("%s\n%s\n", matrix_heading().c_str(), matrix_line(GetParam(), row).c_str());
  std::uint64_t compared = 0;
  for (const TroubleCell& cell : row) {
    for (const std::string& each : cell.wrong) ADD_FAILURE() << each;
    EXPECT_EQ(cell.read + cell.unread + cell.stopped, cell.trials) << cell.instrument;
    // The message beyond the round may be the last that this instrument ever gets.
    EXPECT_GE(cell.struck, cell.trials - 1) << cell.instrument;
    compared += cell.compared;
  }
  EXPECT_GT(compared, 500U);
}

INSTANTIATE_TEST_SUITE_P(Each, TroubleMatrix, ::testing::ValuesIn(trouble_words()),
                         [](const auto& each) { return each.param; });

}  // namespace
}  // namespace nightbench::testing
