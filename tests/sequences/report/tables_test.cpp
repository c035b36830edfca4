#include "sequences/report/tables.hpp"

#include <gmock/gmock.h>

#include <sstream>

#include "sample_runs.hpp"

namespace nightbench::report {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

std::size_t widest(const std::string& text) {
  std::size_t most = 0;
  std::istringstream stream(text);
  for (std::string line; std::getline(stream, line);) {
    std::size_t width = 0;
    for (const char c : line) width += (static_cast<unsigned char>(c) & 0xC0U) != 0x80U;
    most = std::max(most, width);
  }
  return most;
}

TEST(TextTable, SetsNumbersFlushRightAndTextFlushLeft) {
  EXPECT_EQ(text_table({{"name", false}, {"n", true}}, {{"a", "1"}, {"bcdef", "100"}}),
            "name     n\n"
            "-----  ---\n"
            "a        1\n"
            "bcdef  100\n");
}

TEST(TextTable, WrapsTheWidestTextColumnToTheWidth) {
  const std::string text = text_table({{"name", false}, {"remark", false}},
                                      {{"a", "a long remark that goes on for quite a while"}}, 30);
  EXPECT_LE(widest(text), 30U);
  EXPECT_THAT(text, HasSubstr("quite a while"));
}

TEST(TextTable, CountsCharactersAndNotBytes) {
  EXPECT_EQ(text_table({{"\u00b5\u03a9", false}, {"x", false}}, {{"abc", "y"}}),
            "\u00b5\u03a9   x\n---  -\nabc  y\n");
}

TEST(TextTable, ShortRowsAndNoRowsAreFine) {
  EXPECT_EQ(text_table({}, {}), "");
  EXPECT_EQ(text_table({{"a", false}, {"b", false}}, {{"1"}}), "a  b\n-  -\n1\n");
}

TEST(ClosingTable, SaysVerdictReasonsAndWorst) {
  const std::string text = closing_table(sample::faulty(), 100);
  EXPECT_THAT(text, HasSubstr("Board H30-007: FAIL. Outside the limits: I/Q gain balance"));
  EXPECT_THAT(text, ::testing::ContainsRegex("I/Q gain balance +-1.866 dB +0.060 "));
  EXPECT_THAT(text, HasSubstr("clipped"));
  EXPECT_THAT(text, HasSubstr("53 of 53 points"));
  EXPECT_EQ(text.back(), '\n');
}

TEST(ClosingTable, KeepsToItsWidthForAnyText) {
  record::Run run = sample::faulty();
  run.header.board = sample::hostile();
  run.points[3].readings[1].title = std::string(300, 'x');
  for (const int width : {60, 72, 80, 100, 132, 200}) {
    const std::string text = closing_table(run, width);
    EXPECT_LE(widest(text), static_cast<std::size_t>(width)) << width;
  }
}

TEST(ClosingTable, HoldsNoControlCharacters) {
  record::Run run = sample::faulty();
  run.header.board = run.header.run_id = run.outcome_text = sample::hostile();
  run.outcome = record::Outcome::bench_failed;
  for (record::Reading& reading : run.points[0].readings) reading.title = "a\nb\x1b[2J\r\tc";
  const std::string text = closing_table(run);
  for (const char c : text) EXPECT_TRUE(static_cast<unsigned char>(c) >= 0x20 || c == '\n');
  EXPECT_THAT(text, HasSubstr("\\x1b[2J"));
}

TEST(ClosingTable, AnEmptyRunHasOneToo) {
  EXPECT_THAT(closing_table(record::Run()), HasSubstr("NO VERDICT"));
}

}  // namespace
}  // namespace nightbench::report
