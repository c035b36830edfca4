#include "sequences/record/text.hpp"

#include <gtest/gtest.h>

namespace nightbench::record {
namespace {

using namespace std::string_literals;

TEST(ValidUtf8, LeavesValidTextAlone) {
  const std::string text = "plain \u00b5 \u03a9 \U0001F4E1 \x01\x7f \u202e"s + '\0';
  EXPECT_EQ(valid_utf8(text), text);
}

// RFC 3629, section 3 and 4; the byte rows are those of the table of section 4 and its neighbours.
TEST(ValidUtf8, MakesEachBadByteVisible) {
  EXPECT_EQ(valid_utf8("\xff"), "\\xff");
  EXPECT_EQ(valid_utf8("a\x80z"), "a\\x80z");
  EXPECT_EQ(valid_utf8("\xc0\xaf"), "\\xc0\\xaf");                    // overlong '/'
  EXPECT_EQ(valid_utf8("\xe0\x9f\xbf"), "\\xe0\\x9f\\xbf");           // overlong
  EXPECT_EQ(valid_utf8("\xed\xa0\x80"), "\\xed\\xa0\\x80");           // surrogate
  EXPECT_EQ(valid_utf8("\xf4\x90\x80\x80"), "\\xf4\\x90\\x80\\x80");  // above U+10FFFF
  EXPECT_EQ(valid_utf8("\xf0\x9f\x93"), "\\xf0\\x9f\\x93");           // cut short
  EXPECT_EQ(valid_utf8("\xe2\x82"
                       "A"),
            "\\xe2\\x82"
            "A");
}

TEST(Printable, MakesControlsVisibleAndKeepsTabAndLineFeed) {
  EXPECT_EQ(printable("a\x1b[31m\tb\r\nc\rd\x7f"), "a\\x1b[31m\tb\nc\\x0dd\\x7f");
  EXPECT_EQ(printable("x\0y"s), "x\\x00y");
  EXPECT_EQ(printable("\xc2\x9b"), "\\u{009b}");  // CSI as one character
}

TEST(Printable, MakesDirectionTricksVisible) {
  EXPECT_EQ(printable("a\u202eb\u2066c\ufeffd\u2028e"),
            "a\\u{202e}b\\u{2066}c\\u{feff}d\\u{2028}e");
  EXPECT_EQ(printable("\U0001FFFE\ufdd0"), "\\u{1fffe}\\u{fdd0}");
}

}  // namespace
}  // namespace nightbench::record
