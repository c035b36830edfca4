// USBTMC messages against the worked bytes of the standards and against their tables.
#include "drivers/link/usbtmc/message.hpp"

#include <gtest/gtest.h>

#include <random>

namespace nightbench::link::usbtmc {
namespace {

std::string bytes(std::initializer_list<int> values) {
  std::string out;
  for (const int value : values) out += static_cast<char>(value);
  return out;
}

// USB488 1.0, the examples of clause 3: "*IDN?\n" with tag 1.
TEST(UsbtmcMessage, ProgramMessageAsInTheStandard) {
  Header header;
  header.tag = 1;
  header.attributes = eom;
  EXPECT_EQ(encode(header, "*IDN?\n"),
            bytes({0x01, 0x01, 0xFE, 0x00, 0x06, 0x00, 0x00, 0x00, 0x01, 0x00,
                   0x00, 0x00, 0x2A, 0x49, 0x44, 0x4E, 0x3F, 0x0A, 0x00, 0x00}));
}

// The same place: a request for 100 bytes with tag 2.
TEST(UsbtmcMessage, RequestAsInTheStandard) {
  Header header;
  header.id = MsgId::request_dev_dep_msg_in;
  header.tag = 2;
  header.size = 100;
  EXPECT_EQ(encode(header),
            bytes({0x02, 0x02, 0xFD, 0x00, 0x64, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00}));
}

// USBTMC 1.0, 3.2: transfers are a multiple of 4 bytes long.
TEST(UsbtmcMessage, PaddingFillsToFourBytes) {
  for (std::size_t size = 1; size < 40; ++size) {
    Header header;
    const std::string out = encode(header, std::string(size, 'x'));
    EXPECT_EQ(out.size() % 4, 0u) << size;
    EXPECT_LT(out.size() - header_size - size, 4u) << size;
    EXPECT_EQ(decode_header(out)->size, size);
  }
}

TEST(UsbtmcMessage, HeadersGoThereAndBack) {
  std::mt19937 random(7);
  for (int i = 0; i < 1000; ++i) {
    Header header;
    header.id = static_cast<MsgId>(random() & 0xFF);
    header.tag = static_cast<std::uint8_t>(1 + random() % 255);
    header.size = static_cast<std::uint32_t>(random());
    header.attributes = static_cast<std::uint8_t>(random());
    header.term_char = static_cast<std::uint8_t>(random());
    const Result<Header> back = decode_header(encode(header));
    ASSERT_TRUE(back);
    EXPECT_EQ(*back, header);
  }
}

TEST(UsbtmcMessage, WrongHeadersAreRefused) {
  const std::string good = encode(Header{});
  EXPECT_EQ(decode_header(std::string_view(good).substr(0, 11)).error().kind, ErrorKind::bad_data);
  std::string wrong = good;
  wrong[2] = 1;
  EXPECT_EQ(decode_header(wrong).error().message,
            "USBTMC: a header whose tag 1 and its complement 1 do not go together");
  std::string no_tag = good;
  no_tag[1] = '\0';
  no_tag[2] = '\xFF';
  EXPECT_FALSE(decode_header(no_tag));
}

// USBTMC 1.0, 3.2: tags go from 1 to 255; USB488 4.3.1: those of the status byte from 2 to 127.
TEST(UsbtmcMessage, TagsSkipWhatIsReserved) {
  EXPECT_EQ(next_tag(0), 1);
  EXPECT_EQ(next_tag(254), 255);
  EXPECT_EQ(next_tag(255), 1);
  EXPECT_EQ(next_status_tag(0), 2);
  EXPECT_EQ(next_status_tag(126), 127);
  EXPECT_EQ(next_status_tag(127), 2);
}

// USB 2.0, table 9-2: words of a setup packet are little-endian.
TEST(UsbtmcMessage, SetupPackets) {
  usbtmc::Setup setup;
  setup.type = to_endpoint;
  setup.request = 3;
  setup.value = 0x1234;
  setup.index = 0x0082;
  setup.length = 0x0102;
  const SetupBytes out = encode(setup);
  EXPECT_EQ(out, (SetupBytes{0xA2, 3, 0x34, 0x12, 0x82, 0x00, 0x02, 0x01}));
  EXPECT_EQ(decode_setup(out), setup);
}

// USB488 1.0, table 8, bit by bit.
TEST(UsbtmcMessage, CapabilitiesBitByBit) {
  Capabilities all;
  all.version_488 = 0x0100;
  std::string plain = encode(all);
  EXPECT_EQ(plain.size(), 24u);
  EXPECT_EQ(plain.substr(0, 4), bytes({1, 0, 0x00, 0x01}));
  struct Row {
    std::size_t at;
    int mask;
    bool Capabilities::*member;
  };
  const Row rows[] = {{4, 4, &Capabilities::indicator_pulse},
                      {4, 2, &Capabilities::talk_only},
                      {4, 1, &Capabilities::listen_only},
                      {5, 1, &Capabilities::term_char},
                      {14, 4, &Capabilities::is_488_2},
                      {14, 2, &Capabilities::remote_local},
                      {14, 1, &Capabilities::trigger},
                      {15, 8, &Capabilities::scpi},
                      {15, 4, &Capabilities::sr1},
                      {15, 2, &Capabilities::rl1},
                      {15, 1, &Capabilities::dt1}};
  for (const Row& row : rows) {
    std::string one = plain;
    one[row.at] = static_cast<char>(row.mask);
    const Result<Capabilities> found = decode_capabilities(one);
    ASSERT_TRUE(found);
    Capabilities expected = all;
    expected.*row.member = true;
    EXPECT_EQ(*found, expected) << row.at << ' ' << row.mask;
    EXPECT_EQ(encode(expected), one);
  }
  EXPECT_FALSE(decode_capabilities(plain.substr(0, 23)));
  plain[0] = '\x80';
  EXPECT_FALSE(decode_capabilities(plain));
}

TEST(UsbtmcMessage, ChecksOfBothLengths) {
  const Result<Check> clear = decode_check(bytes({2, 1}));
  ASSERT_TRUE(clear);
  EXPECT_EQ(clear->status, Status::pending);
  EXPECT_TRUE(clear->fifo_has_data);
  const Result<Check> aborted = decode_check(bytes({1, 0, 0, 0, 0x10, 0x20, 0, 0}));
  ASSERT_TRUE(aborted);
  EXPECT_EQ(aborted->bytes, 0x2010u);
  EXPECT_FALSE(decode_check("\x01"));
}

// USB488 1.0, 3.4.
TEST(UsbtmcMessage, Notifications) {
  const Notification service = decode_notification(bytes({0x81, 0x50}));
  EXPECT_EQ(service.kind, Notification::Kind::service_request);
  EXPECT_EQ(service.status_byte, 0x50);
  const Notification status = decode_notification(bytes({0xFF, 0x10}));
  EXPECT_EQ(status.kind, Notification::Kind::status);
  EXPECT_EQ(status.tag, 127);
  for (const std::string& other :
       {bytes({0x41, 1}), bytes({0x00, 1}), bytes({0x80, 1}), bytes({0x82}), std::string()}) {
    EXPECT_EQ(decode_notification(other).kind, Notification::Kind::other);
  }
}

TEST(UsbtmcMessage, StatusInWords) {
  EXPECT_EQ(describe(Status::split_in_progress), "another request in progress (0x83)");
  EXPECT_EQ(describe(static_cast<Status>(0x99)), "unknown status (0x99)");
}

}  // namespace
}  // namespace nightbench::link::usbtmc
