// Data forms of IEEE 488.2 chapters 7 and 8 and SCPI-1999 volume 1 chapter 7.
#include "drivers/scpi/text.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <limits>
#include <random>

namespace nightbench::scpi {
namespace {

TEST(Number, AllDecimalFormsAnywhere) {
  const std::vector<std::pair<const char*, double>> kRows{
      {"1", 1},          {"+1", 1},          {"-1", -1},        {"1.0E+00", 1},
      {"1.E3", 1000},    {".5", 0.5},        {"-.5e-1", -0.05}, {"+1.0120000E+07", 10120000},
      {"  42", 42},      {"42 \r", 42},      {"1E-40", 1e-40},  {"1e32000", HUGE_VAL},
      {"1E-32000", 0.0}, {"000012.50", 12.5}};
  for (const auto& [text, value] : kRows) {
    const auto number = read_number(text);
    ASSERT_TRUE(number) << text << ": " << describe(number.error());
    if (std::isinf(value)) {
      EXPECT_EQ(number->kind, Number::Kind::overload) << text;
    } else {
      EXPECT_EQ(number->kind, Number::Kind::value) << text;
      EXPECT_EQ(number->value, value) << text;
    }
  }
}

// SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5 (numbers from memory).
TEST(Number, SpecialValuesAreTyped) {
  using Kind = Number::Kind;
  const std::vector<std::pair<const char*, Kind>> kRows{
      {"9.91E37", Kind::not_a_number},   {"9.91000000E+37", Kind::not_a_number},
      {"NAN", Kind::not_a_number},       {"nan", Kind::not_a_number},
      {"9.9E37", Kind::overload},        {"+9.90000000E+37", Kind::overload},
      {"INF", Kind::overload},           {"INFinity", Kind::overload},
      {"9.9E+38", Kind::overload},       {"-9.9E37", Kind::negative_overload},
      {"NINF", Kind::negative_overload}, {"-INF", Kind::negative_overload}};
  for (const auto& [text, kind] : kRows) {
    const auto number = read_number(text);
    ASSERT_TRUE(number) << text;
    EXPECT_EQ(number->kind, kind) << text;
    EXPECT_FALSE(number->usable());
    EXPECT_EQ(read_value(text).error().kind, ErrorKind::bad_data) << "never a plausible number";
  }
  EXPECT_EQ(read_value("9.9E37").error().message, "the instrument reports an overload ('9.9E37')");
  EXPECT_EQ(read_value("9.91E37").error().message, "the instrument has no value ('9.91E37')");
}

// Check values BLK-7: IEEE 488.2, 7.7.4 (from memory).
TEST(Number, BLK_7_NonDecimalForms) {
  EXPECT_EQ(*read_value("#H1F"), 31);
  EXPECT_EQ(*read_value("#B101"), 5);
  EXPECT_EQ(*read_value("#Q17"), 15);
  EXPECT_EQ(*read_value("#hff"), 255);
  EXPECT_FALSE(read_number("#Q8"));
  EXPECT_FALSE(read_number("#H"));
  EXPECT_FALSE(read_number("#15HELLO"));
}

TEST(Number, GarbageIsRefusedAndShown) {
  for (const char* text : {"", "   ", "----", "abc", "1.2.3", "1,2", "1 V", "+-1", "--1", "1e",
                           "0x10", "1;2", "-", "+", "."}) {
    const auto number = read_number(text);
    ASSERT_FALSE(number) << "'" << text << "' gave " << number->value;
    EXPECT_EQ(number.error().kind, ErrorKind::bad_data);
    EXPECT_EQ(number.error().message, "expected a number, found '" + std::string(text) + "'");
  }
  EXPECT_EQ(read_number(std::string("\x01\n\r\xFF", 4)).error().message,
            "expected a number, found '\\x01\\n\\r\\xFF'");
  EXPECT_EQ(read_number(std::string(1000, 'z')).error().message.size(),
            std::string("expected a number, found ''").size() + 60 + 3);
}

TEST(Number, WholeNumbers) {
  EXPECT_EQ(*read_integer("+1"), 1);
  EXPECT_EQ(*read_integer("-113"), -113);
  EXPECT_EQ(*read_integer("1.0E3"), 1000);
  EXPECT_FALSE(read_integer("1.5"));
  EXPECT_FALSE(read_integer("1e300"));
  EXPECT_FALSE(read_integer("9.91E37"));
}

// SCPI-1999 volume 1, 7.3.
TEST(Boolean, WordsAndRoundedNumbers) {
  for (const char* text : {"1", "ON", "on", " 1\r", "+1.0E0", "2", "-1", "0.5"}) {
    EXPECT_TRUE(read_boolean(text).value()) << text;
  }
  for (const char* text : {"0", "OFF", "off", "0.4", "+0"}) {
    EXPECT_FALSE(read_boolean(text).value()) << text;
  }
  EXPECT_EQ(read_boolean("maybe").error().message, "expected 0 or 1, found 'maybe'");
}

TEST(String, QuotesAreUndone) {
  EXPECT_EQ(*read_string("\"a \"\"b\"\" c\""), "a \"b\" c");
  EXPECT_EQ(*read_string("'it''s'"), "it's");
  EXPECT_EQ(*read_string("plain"), "plain");
  EXPECT_EQ(*read_string("\"\""), "");
  EXPECT_FALSE(read_string("\"open"));
  EXPECT_FALSE(read_string("\"a\"b"));
  EXPECT_EQ(*read_string(write_string("say \"hi\", 'you'")), "say \"hi\", 'you'");
}

TEST(Split, OutsideQuotesAndParentheses) {
  using Parts = std::vector<std::string>;
  EXPECT_EQ(split("a, b ,c", ','), (Parts{"a", "b", "c"}));
  EXPECT_EQ(split("-113,\"Undefined header;x,y\"", ','),
            (Parts{"-113", "\"Undefined header;x,y\""}));
  EXPECT_EQ(split("(@1,2),3", ','), (Parts{"(@1,2)", "3"}));
  EXPECT_EQ(split("a,b,c,d,e", ',', 3), (Parts{"a", "b", "c", "d,e"}));
  EXPECT_EQ(split("", ','), (Parts{""}));
  EXPECT_EQ(split("\"a\"\",b\",c", ','), (Parts{"\"a\"\",b\"", "c"}));
}

TEST(ChannelList, SinglesAndRanges) {
  EXPECT_EQ(*read_channel_list("(@1,3:5)"), (std::vector<int>{1, 3, 4, 5}));
  EXPECT_EQ(*read_channel_list(" (@101) "), (std::vector<int>{101}));
  EXPECT_EQ(*read_channel_list("(@3:1)"), (std::vector<int>{3, 2, 1}));
  EXPECT_EQ(*read_channel_list("(@)"), (std::vector<int>{}));
  for (const char* text : {"1,2", "(1)", "(@a)", "(@1:)", "(@1:2:3)", "(@1", "(@-1)"}) {
    EXPECT_FALSE(read_channel_list(text)) << text;
  }
  EXPECT_FALSE(read_channel_list("(@0:2000000000)")) << "bounded";
  EXPECT_EQ(write_channel_list({101, 102}), "(@101,102)");
}

TEST(Writing, ShortestTextThatReadsBackExactly) {
  EXPECT_EQ(write_number(0), "0");
  EXPECT_EQ(write_number(-0.0), "0");
  EXPECT_EQ(write_number(10120000), "10120000");
  EXPECT_EQ(write_number(0.1), "0.1");
  EXPECT_EQ(write_number(-30), "-30");
  EXPECT_EQ(write_number(1e-9), "1E-09");
  EXPECT_EQ(write_number(std::nan("")), "9.91E37");
  EXPECT_EQ(write_number(HUGE_VAL), "9.9E37");
  EXPECT_EQ(write_number(-HUGE_VAL), "-9.9E37");
  const unsigned seed = 20261;
  SCOPED_TRACE(seed);
  std::mt19937_64 random(seed);
  std::uniform_real_distribution<double> mantissa(-1, 1);
  std::uniform_int_distribution<int> exponent(-30, 30);
  for (int i = 0; i < 20000; ++i) {
    const double value = mantissa(random) * std::pow(10.0, exponent(random));
    ASSERT_EQ(*read_value(write_number(value)), value);
  }
}

// SCPI-1999 volume 1, 7.5; IEEE 488.2, 7.7.3 (multipliers from memory).
TEST(Suffix, MIsMegaBeforeHertzAndOhmOnly) {
  EXPECT_EQ(*read_with_suffix("10.12MHZ", Unit::hertz), 10.12e6);
  EXPECT_EQ(*read_with_suffix("10.12 mahz", Unit::hertz), 10.12e6);
  EXPECT_EQ(*read_with_suffix("2 MOHM", Unit::ohm), 2e6);
  EXPECT_EQ(*read_with_suffix("5 MV", Unit::volt), 5e-3);
  EXPECT_EQ(*read_with_suffix("5 MAV", Unit::volt), 5e6);
  EXPECT_EQ(*read_with_suffix("2.5KOHM", Unit::ohm), 2500);
  EXPECT_EQ(*read_with_suffix("1.6MS", Unit::second), 1.6e-3);
  EXPECT_EQ(*read_with_suffix("3 US", Unit::second), 3e-6);
  EXPECT_EQ(*read_with_suffix("-30DBM", Unit::dbm), -30);
  EXPECT_EQ(*read_with_suffix("1e3", Unit::hertz), 1000);
  EXPECT_EQ(*read_with_suffix("1 GHz", Unit::hertz), 1e9);
  EXPECT_EQ(read_with_suffix("1 V", Unit::hertz).error().number, -131);
  EXPECT_EQ(read_with_suffix("1 XHZ", Unit::hertz).error().number, -131);
  EXPECT_EQ(read_with_suffix("1 HZ", Unit::one).error().number, -138);
  EXPECT_FALSE(read_with_suffix("HZ", Unit::hertz));
  EXPECT_FALSE(read_with_suffix("1e999 HZ", Unit::hertz));
}

}  // namespace
}  // namespace nightbench::scpi
