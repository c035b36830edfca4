#include "drivers/link/recording/entry.hpp"

#include <gmock/gmock.h>

#include <random>

namespace nightbench::link {
namespace {

using ::testing::HasSubstr;

Entry back(const Entry& entry) {
  const auto read = entry_from(line_of(entry), "night.jsonl:7");
  EXPECT_TRUE(read) << (read ? "" : describe(read.error()));
  return read ? *read : Entry{};
}

TEST(RecordingEntry, ReadsBackEveryOperation) {
  Entry entry;
  entry.who = "scope";
  entry.at = Duration(123'456'789'012);
  entry.took = Duration(17);
  entry.bytes = ":WAV:DATA?";
  EXPECT_EQ(line_of(back(entry)), line_of(entry));
  EXPECT_EQ(back(entry).bytes, ":WAV:DATA?");
  EXPECT_EQ(back(entry).at, entry.at);

  entry.operation = Operation::read;
  entry.end = true;
  EXPECT_TRUE(back(entry).end);

  entry.operation = Operation::connect;
  entry.resource = "TCPIP::192.0.2.20::5025::SOCKET";
  entry.marks_end = true;
  EXPECT_EQ(back(entry).resource, entry.resource);
  EXPECT_TRUE(back(entry).marks_end);

  entry.operation = Operation::status;
  entry.status = 0x44;
  EXPECT_EQ(back(entry).status, 0x44);

  entry.operation = Operation::answer;
  entry.bytes = "orientation_u1";
  entry.answer = "yes";
  entry.remark = "a bent \"pin\"";
  EXPECT_EQ(back(entry).answer, "yes");
  EXPECT_EQ(back(entry).remark, entry.remark);

  entry.operation = Operation::clear;
  entry.error = Error{};
  entry.error->kind = ErrorKind::timeout;
  entry.error->message = "no answer within 3 s";
  entry.error->number = -113;
  const Entry failed = back(entry);
  ASSERT_TRUE(failed.error);
  EXPECT_EQ(failed.error->kind, ErrorKind::timeout);
  EXPECT_EQ(failed.error->message, "no answer within 3 s");
  EXPECT_EQ(failed.error->number, -113);
}

// Blocks of any bytes and any length come back whole; RFC 4648, section 10, for the coding.
TEST(RecordingEntry, KeepsEveryByte) {
  std::mt19937_64 random(20261126);
  Entry entry;
  entry.operation = Operation::read;
  for (std::size_t size = 0; size < 200; ++size) {
    entry.bytes.clear();
    for (std::size_t n = 0; n < size; ++n) entry.bytes += static_cast<char>(random() % 256);
    EXPECT_EQ(back(entry).bytes, entry.bytes) << size;
  }
  entry.bytes = "\xff" "oobar";
  EXPECT_THAT(line_of(entry), HasSubstr("\"base64\":\"/29vYmFy\""));
}

TEST(RecordingEntry, RefusesWhatIsNone) {
  const auto why = [](const std::string& line) {
    const auto read = entry_from(line, "night.jsonl:7");
    return read ? std::string("read") : describe(read.error());
  };
  EXPECT_THAT(why("{"), HasSubstr("night.jsonl:7"));
  EXPECT_THAT(why(R"({"at_ns":-1,"took_ns":0,"who":"a","op":"clear"})"), HasSubstr("/at_ns"));
  EXPECT_THAT(why(R"({"at_ns":0,"took_ns":0,"who":"a","op":"wave"})"), HasSubstr("/op"));
  EXPECT_THAT(why(R"({"at_ns":0,"took_ns":0,"who":"a","op":"clear","x":1})"), HasSubstr("\"x\""));
  EXPECT_THAT(why(R"({"at_ns":0,"took_ns":0,"who":"a","op":"write","base64":"/29=v"})"),
              HasSubstr("/base64"));
  EXPECT_THAT(why(R"({"at_ns":0,"took_ns":0,"who":"a","op":"write","base64":"????"})"),
              HasSubstr("/base64"));
  EXPECT_THAT(why(R"({"at_ns":0,"took_ns":0,"who":"a","op":"write"})"), HasSubstr("\"text\""));
  EXPECT_THAT(why(R"({"at_ns":0,"took_ns":0,"who":"a","op":"status","byte":256})"),
              HasSubstr("/byte"));
  EXPECT_FALSE(heading_from(R"({"recording":2,"bench":"b"})", "night.jsonl:1"));
}

}  // namespace
}  // namespace nightbench::link
