// Arbitrary blocks, IEEE 488.2 clauses 7.7.6 and 8.7.9. Rows BLK-n are the table of check values.
#include "drivers/scpi/block.hpp"

#include <gtest/gtest.h>

#include <bit>
#include <cstring>
#include <random>

namespace nightbench::scpi {
namespace {

constexpr std::size_t kMost = 1 << 20;

std::string data_of(std::string_view bytes, std::size_t most = kMost) {
  const auto data = read_block(bytes, most);
  EXPECT_TRUE(data) << describe(data.error());
  return data ? std::string(*data) : "(none)";
}

TEST(Block, BLK_1_Plain) {
  EXPECT_EQ(data_of("#15HELLO\n"), "HELLO");
}
TEST(Block, BLK_2_Empty) {
  EXPECT_EQ(data_of("#10\n"), "");
}
TEST(Block, BLK_3_LeadingZeros) {
  EXPECT_EQ(data_of("#3005HELLO"), "HELLO");
}
TEST(Block, BLK_4_NineDigits) {
  const std::string data(1000, 'x');
  EXPECT_EQ(data_of("#9000001000" + data), data);
}
TEST(Block, BLK_5_TerminatorsInside) {
  EXPECT_EQ(data_of(std::string("#13") + "\n\r#"), "\n\r#");
}
TEST(Block, BLK_6_Indefinite) {
  EXPECT_EQ(data_of("#0ab\ncd\n"), "ab\ncd");
}
TEST(Block, BLK_7_NumbersAreNoBlocks) {
  for (const char* text : {"#H1F", "#B101", "#Q17"}) {
    EXPECT_EQ(read_block(text, kMost).error().message,
              "expected a block, found '" + std::string(text) + "'");
  }
}
TEST(Block, BLK_8_FourDoubles) {
  std::string bytes = "#232";
  const unsigned char one[8] = {0x3F, 0xF0, 0, 0, 0, 0, 0, 0};  // 1.0, most significant byte first
  for (int i = 0; i < 4; ++i) bytes.append(reinterpret_cast<const char*>(one), 8);
  const std::string data = data_of(bytes);
  ASSERT_EQ(data.size(), 32u);
  std::uint64_t word = 0;
  for (std::size_t i = 0; i < 8; ++i) word = word << 8 | static_cast<unsigned char>(data[i]);
  EXPECT_EQ(std::bit_cast<double>(word), 1.0);
}
TEST(Block, BLK_9_ShortIsAnErrorNeverPadded) {
  const auto data = read_block("#15HEL", kMost);
  ASSERT_FALSE(data);
  EXPECT_EQ(data.error().kind, ErrorKind::bad_data);
  EXPECT_EQ(data.error().message, "block of 5 bytes ends after 3");
}

TEST(Block, AClaimOfFourGigabytesIsRefusedBeforeAnythingIsReserved) {
  const auto head = read_block_head("#9999999999", 8 << 20);
  ASSERT_FALSE(head);
  EXPECT_EQ(head.error().kind, ErrorKind::bad_data);
  EXPECT_EQ(head.error().message, "block claims 999999999 bytes, at most 8388608 expected");
  EXPECT_EQ(read_block_head("#(4294967296)", 100).error().message,
            "block claims 4294967296 bytes, at most 100 expected");
  EXPECT_FALSE(read_block_head("#(99999999999999999999)", static_cast<std::size_t>(-1) / 20));
}

TEST(Block, LargeMemoryForm) {
  EXPECT_EQ(data_of("#(5)HELLO\n"), "HELLO");
  EXPECT_FALSE(read_block("#()", kMost));
  EXPECT_FALSE(read_block("#(12x)", kMost));
  EXPECT_FALSE(read_block_head("#(111111111111111111111111", kMost));
}

// Every way a head can be torn: more is needed, never a wrong answer.
TEST(Block, HeadInPieces) {
  for (const std::string whole : {"#15", "#0", "#3005", "#9000001000", "#(5)"}) {
    for (std::size_t n = 0; n < whole.size(); ++n) {
      const auto head = read_block_head(std::string_view(whole).substr(0, n), kMost);
      ASSERT_TRUE(head) << whole << " after " << n << ": " << describe(head.error());
      EXPECT_FALSE(*head) << whole << " after " << n;
    }
    const auto head = read_block_head(whole, kMost);
    ASSERT_TRUE(head && *head) << whole;
    EXPECT_EQ((*head)->head, whole.size());
  }
}

TEST(Block, Garbage) {
  for (const char* text : {"", "#", "5", "HELLO", "#x", "#3a05HELLO", "#25", "-1.0E0"}) {
    EXPECT_FALSE(read_block(text, kMost)) << text;
  }
  EXPECT_EQ(read_block_head("#4ab", kMost).error().message,
            "expected digits for the length of a block, found 'ab'");
}

// Whatever comes: no crash, and a block that is accepted lies inside the bytes.
TEST(Block, RandomBytesNeverReachPastTheEnd) {
  const unsigned seed = 20262;
  SCOPED_TRACE(seed);
  std::mt19937 random(seed);
  const std::string alphabet = "#0123456789()\n;,ab";
  for (int i = 0; i < 50000; ++i) {
    std::string bytes = "#";
    const std::size_t size = random() % 20;
    for (std::size_t n = 0; n < size; ++n) bytes += alphabet[random() % alphabet.size()];
    const auto data = read_block(bytes, 1000);
    if (!data) continue;
    ASSERT_LE(data->size(), bytes.size());
    if (!data->empty()) {
      ASSERT_GE(data->data(), bytes.data());
      ASSERT_LE(data->data() + data->size(), bytes.data() + bytes.size());
    }
  }
}

TEST(Block, WhatIsWrittenReadsBack) {
  for (const std::size_t size : {0u, 1u, 9u, 10u, 99u, 100u, 12345u}) {
    const std::string data(size, '\n');
    const std::string bytes = write_block(data);
    EXPECT_EQ(data_of(bytes), data);
  }
  EXPECT_EQ(write_block("HELLO"), "#15HELLO");
  EXPECT_EQ(write_block(""), "#10");
}

}  // namespace
}  // namespace nightbench::scpi
