#include "mock_instruments/board/board_values.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace nightbench::mock::board::test {
namespace {

Result<void> decode(const std::string& text, Parameters& board) {
  auto node = json::parse(text, "boards.json");
  if (!node) return std::unexpected(node.error());
  return decode_values(*node, board);
}

TEST(BoardValues, SetsWhatIsNamedAndLeavesTheRest) {
  Parameters board = healthy_30m();
  const auto done = decode(R"({"switch_on_ohm": "8 ohm", "lo_edge_s": "3 ns", "coupling": 0.99,
    "sampling_farad": [1e-8, 2e-8, 3e-8, 4e-8], "q_stage": {"offset_v": "-0.5 mV"},
    "select_pull_up": false})",
                           board);
  ASSERT_TRUE(done) << describe(done.error());
  EXPECT_EQ(board.switch_on_ohm, 8.0);
  EXPECT_DOUBLE_EQ(board.lo_edge_s, 3e-9);
  EXPECT_EQ(board.coupling, 0.99);
  EXPECT_EQ(board.sampling_farad[2], 3e-8);
  EXPECT_DOUBLE_EQ(board.q_stage.offset_v, -0.5e-3);
  EXPECT_EQ(board.q_stage.plus_input_ohm, 1e3);
  EXPECT_FALSE(board.select_pull_up);
  EXPECT_EQ(board.filter_q, 100.0);
}

TEST(BoardValues, RefusesWithThePlaceAndChangesNothing) {
  struct Row {
    const char* text;
    const char* pointer;
  };
  for (const Row row : {Row{R"({"switch_on_ohms": 8})", "/switch_on_ohms"},
                        {R"({"filter_q": 50, "switch_on_ohm": "8 Hz"})", "/switch_on_ohm"},
                        {R"({"filter_q": 50, "bias_ohm": 0})", "/bias_ohm"},
                        {R"({"filter_q": 50, "path_ohm": [1, 1]})", "/path_ohm"},
                        {R"({"filter_q": 50, "i_stage": {"gain": 3}})", "/i_stage/gain"},
                        {R"({"filter_q": 50, "lo_duty": [0.5, 0.99]})", "/"},
                        {R"({"filter_q": 50, "coupling": 1})", "/"}}) {
    Parameters board = healthy_30m();
    const auto done = decode(row.text, board);
    ASSERT_FALSE(done) << row.text;
    EXPECT_EQ(done.error().kind, ErrorKind::bad_input);
    EXPECT_EQ(done.error().file, "boards.json");
    EXPECT_EQ(done.error().pointer, row.pointer);
    EXPECT_EQ(board.filter_q, 100.0);
  }
}

}  // namespace
}  // namespace nightbench::mock::board::test
