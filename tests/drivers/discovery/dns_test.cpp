// The DNS decoder against packets written out by hand (RFC 1035 clause 4, RFC 6762, RFC 6763).
#include "drivers/discovery/dns.hpp"

#include <gtest/gtest.h>

namespace nightbench::discovery {
namespace {

std::string bytes(std::initializer_list<int> values) {
  std::string out;
  for (const int value : values) out += static_cast<char>(value);
  return out;
}
std::string header(int questions, int answers) {
  return bytes({0, 7, 0x84, 0, 0, questions, 0, answers, 0, 0, 0, 0});
}
const std::string scpi_raw_local = "\x09_scpi-raw\x04_tcp\x05local" + std::string(1, '\0');

TEST(Dns, ReadsAPointerRecordWithACompressedTarget) {  // RFC 1035, 4.1.4
  const std::string packet = header(0, 1) + scpi_raw_local +
                             bytes({0, 12, 0x80, 1, 0, 0, 0, 10, 0, 10}) + "\x07Lab. 2a" +
                             bytes({0xC0, 12});
  const auto message = decode_dns(packet);
  ASSERT_TRUE(message) << message.error().message;
  EXPECT_TRUE(message->response);
  EXPECT_EQ(message->id, 7);
  ASSERT_EQ(message->records.size(), 1U);
  const auto& ptr = std::get<Ptr>(message->records[0].data);
  EXPECT_EQ(ptr.target, (DnsName{"Lab. 2a", "_scpi-raw", "_tcp", "local"}))
      << "one label, dots and blanks and all (RFC 6763, 4.1)";
}

TEST(Dns, ReadsServiceTextAndAddressRecords) {
  const std::string name = "\x01x" + scpi_raw_local;
  const std::string text =
      std::string("\x09txtvers=1") + "\x09Model=E 1" + "\x07MODEL=2" + "\x04" + "flag" + "\x02=z";
  std::string packet = header(0, 4);
  packet += name + bytes({0, 33, 0x80, 1, 0, 0, 0, 10, 0, 13, 0, 1, 0, 2, 0x13, 0xA1}) + "\x04" +
            "host" + bytes({0xC0, 12 + 2 + 15});
  packet += bytes({0xC0, 12, 0, 16, 0x80, 1, 0, 0, 0, 10, 0, static_cast<int>(text.size())}) + text;
  packet += "\x04host\x05local" + bytes({0, 0, 1, 0x80, 1, 0, 0, 0, 0, 0, 4, 192, 168, 1, 20});
  packet += bytes({0, 0, 28, 0, 1, 0, 0, 0, 9, 0, 16}) + std::string(16, '\x01');
  const auto message = decode_dns(packet);
  ASSERT_TRUE(message) << message.error().message;
  const auto& srv = std::get<Srv>(message->records[0].data);
  EXPECT_EQ(srv.port, 5025);
  EXPECT_EQ(srv.priority, 1);
  EXPECT_EQ(srv.weight, 2);
  EXPECT_EQ(srv.host, (DnsName{"host", "local"}));
  const auto& txt = std::get<Txt>(message->records[1].data);
  EXPECT_EQ(text_value(txt, "model"), "E 1") << "keys are case-free, the first counts (6.4)";
  EXPECT_EQ(text_value(txt, "FLAG"), "");
  EXPECT_EQ(txt.pairs.size(), 3U) << "a string without a key is not there (6.4)";
  EXPECT_EQ(std::get<Address4>(message->records[2].data).bytes,
            (std::array<std::uint8_t, 4>{192, 168, 1, 20}));
  EXPECT_EQ(message->records[2].ttl_s, 0U) << "a goodbye (RFC 6762, 10.1)";
  EXPECT_EQ(std::get<Address6>(message->records[3].data).bytes[15], 1);
}

TEST(Dns, WritesAQueryThatItReads) {
  const std::string packet = encode_dns_query(
      9, {{dns_name("_hislip._tcp.local"), DnsType::ptr}, {{"a.b", "local"}, DnsType::srv}});
  EXPECT_EQ(packet.substr(0, 12), bytes({0, 9, 0, 0, 0, 2, 0, 0, 0, 0, 0, 0}));
  const auto message = decode_dns(packet);
  ASSERT_TRUE(message);
  EXPECT_FALSE(message->response);
  ASSERT_EQ(message->questions.size(), 2U);
  EXPECT_EQ(message->questions[1].name, (DnsName{"a.b", "local"}));
  EXPECT_EQ(message->questions[1].type, DnsType::srv);
}

TEST(Dns, RefusesNamesThatLoopGoForwardOrAreTooLong) {
  const auto error_of = [](const std::string& packet) {
    const auto message = decode_dns(packet);
    return message ? std::string("read") : message.error().message;
  };
  const std::string rest = bytes({0, 12, 0, 1});
  EXPECT_EQ(error_of(header(1, 0) + bytes({0xC0, 12}) + rest),
            "DNS: a name that points forward or to itself");
  EXPECT_EQ(error_of(header(1, 0) + bytes({0xC0, 200}) + rest),
            "DNS: a name that points forward or to itself");
  EXPECT_EQ(error_of(header(1, 0) + "\x01" + "a" + bytes({0xC0, 12}) + rest),
            "DNS: a name that points forward or to itself")
      << "a label that leads back to itself";
  std::string long_name;
  for (int i = 0; i < 5; ++i) long_name += bytes({63}) + std::string(63, 'x');
  EXPECT_EQ(error_of(header(1, 0) + long_name + bytes({0}) + rest),
            "DNS: a name of more than 255 bytes");
  EXPECT_EQ(error_of(header(1, 0) + bytes({64}) + std::string(64, 'x') + bytes({0}) + rest),
            "DNS: a label of more than 63 bytes");
}

TEST(Dns, RefusesPacketsThatPromiseMoreThanTheyHold) {
  EXPECT_FALSE(decode_dns(""));
  EXPECT_FALSE(decode_dns(header(0, 1)));
  EXPECT_FALSE(decode_dns(bytes({0, 7, 0x84, 0, 0xFF, 0xFF, 0, 0, 0, 0, 0, 0})));
  EXPECT_FALSE(decode_dns(std::string(9001, '\0')));
  const std::string good =
      header(0, 1) + scpi_raw_local + bytes({0, 12, 0, 1, 0, 0, 0, 10, 0, 3, 1, 'x', 0});
  ASSERT_TRUE(decode_dns(good));
  for (std::size_t n = 0; n < good.size(); ++n) {
    EXPECT_FALSE(decode_dns(good.substr(0, n))) << "cut after " << n;
  }
}

}  // namespace
}  // namespace nightbench::discovery
