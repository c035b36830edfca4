#include "drivers/base/error.hpp"

#include <gtest/gtest.h>

#include <set>
#include <string>

namespace nightbench {
namespace {

Error make(ErrorKind kind, std::string message) {
  return fail(kind, std::move(message)).error();
}

TEST(Error, EveryKindHasItsOwnStableWord) {
  const std::pair<ErrorKind, const char*> words[] = {
      {ErrorKind::timeout, "timeout"},     {ErrorKind::refused, "refused"},
      {ErrorKind::device, "device"},       {ErrorKind::bad_data, "bad-data"},
      {ErrorKind::bad_input, "bad-input"}, {ErrorKind::storage, "storage"},
      {ErrorKind::unsafe, "unsafe"},       {ErrorKind::cancelled, "cancelled"},
      {ErrorKind::internal, "internal"},
  };
  std::set<std::string> seen;
  for (const auto& [kind, word] : words) {
    EXPECT_STREQ(name(kind), word);
    EXPECT_TRUE(seen.insert(name(kind)).second) << word;
  }
}

TEST(Error, DescribesOnlyWhatIsKnown) {
  EXPECT_EQ(describe(make(ErrorKind::timeout, "nothing came")), "nothing came");
}

TEST(Error, DescribesTheInstrumentAndItsCommand) {
  Error error = make(ErrorKind::bad_data, "block claims 4000000000 bytes");
  error.instrument = "scope";
  error.command = ":WAV:DATA?";
  EXPECT_EQ(describe(error), "scope: ':WAV:DATA?': block claims 4000000000 bytes");
}

TEST(Error, DescribesTheFileAndThePlaceInIt) {
  Error error = make(ErrorKind::bad_input, "expected a number, found \"x\"");
  error.file = "scripts/response.json";
  error.pointer = "/steps/2/times";
  EXPECT_EQ(describe(error),
            "scripts/response.json: at /steps/2/times: expected a number, found \"x\"");
  error.pointer.clear();
  EXPECT_EQ(describe(error), "scripts/response.json: expected a number, found \"x\"");
}

TEST(Error, DescribesEveryFieldInOrder) {
  Error error = make(ErrorKind::internal, "message");
  error.file = "file";
  error.pointer = "/pointer";
  error.instrument = "meter";
  error.command = "*OPC?";
  EXPECT_EQ(describe(error), "file: at /pointer: meter: '*OPC?': message");
}

TEST(Error, DescribesAPointerWithoutAFile) {
  Error error = make(ErrorKind::bad_input, "message");
  error.pointer = "/steps/0";
  EXPECT_EQ(describe(error), "at /steps/0: message");
}

TEST(Excerpt, LeavesShortPlainTextAlone) {
  EXPECT_EQ(excerpt(""), "");
  EXPECT_EQ(excerpt("10.12 MHz"), "10.12 MHz");
  EXPECT_EQ(excerpt("1 k\xCE\xA9"), "1 k\xCE\xA9");  // GREEK CAPITAL LETTER OMEGA in UTF-8
  EXPECT_EQ(excerpt("abcd", 4), "abcd");
}

TEST(Excerpt, CutsLongTextAndSaysSo) {
  EXPECT_EQ(excerpt(std::string(1'000'000, 'x')), std::string(60, 'x') + "...");
  EXPECT_EQ(excerpt("abcde", 4), "abcd...");
  EXPECT_EQ(excerpt("abc", 0), "...");
}

TEST(Excerpt, NeverCutsInsideAUtf8Character) {
  const std::string text =
      "ab\xE2\x82\xAC"
      "cd";  // the euro sign takes bytes 2 to 4
  EXPECT_EQ(excerpt(text, 2), "ab...");
  EXPECT_EQ(excerpt(text, 3), "ab...");
  EXPECT_EQ(excerpt(text, 4), "ab...");
  EXPECT_EQ(excerpt(text, 5), "ab\xE2\x82\xAC...");
}

TEST(Excerpt, MakesControlCharactersVisible) {
  EXPECT_EQ(excerpt("\x1b[31mred"), "\\x1b[31mred");
  EXPECT_EQ(excerpt(std::string_view("a\0b\n\x7f", 5)), "a\\x00b\\x0a\\x7f");
}

Result<int> half(int value) {
  if (value % 2 != 0) return fail(ErrorKind::bad_input, std::to_string(value) + " is odd");
  return value / 2;
}
Result<int> quarter(int value) {
  TRY_ASSIGN(const int once, half(value));
  TRY_ASSIGN(const int twice, half(once));
  return twice;
}
Result<void> even(int value) {
  TRY(half(value));
  return {};
}

TEST(Error, TryAssignGivesTheValueOrReturnsTheError) {
  EXPECT_EQ(quarter(12), 3);
  const auto odd = quarter(6);
  ASSERT_FALSE(odd);
  EXPECT_EQ(odd.error().kind, ErrorKind::bad_input);
  EXPECT_EQ(odd.error().message, "3 is odd");
}

TEST(Error, TryReturnsTheError) {
  EXPECT_TRUE(even(2));
  const auto odd = even(5);
  ASSERT_FALSE(odd);
  EXPECT_EQ(odd.error().message, "5 is odd");
}

}  // namespace
}  // namespace nightbench
