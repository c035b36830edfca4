// DNS messages (RFC 1035, clause 4) as multicast service discovery uses them (RFC 6762, RFC 6763):
// a bounded decoder of answers that anybody on the network may have made, and the encoder of
// queries. Pure.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <string>
#include <string_view>
#include <utility>
#include <variant>
#include <vector>

#include "drivers/base/error.hpp"

namespace nightbench::discovery {

// Labels, most special first. A label may hold dots and blanks (RFC 6763, 4.1), so a name is never
// one string.
using DnsName = std::vector<std::string>;
// "a.b.local" cut at the dots, for names of our own.
DnsName dns_name(std::string_view dotted);
// Letter case does not count (ASCII only; RFC 6762, clause 16).
bool same_name(const DnsName& a, const DnsName& b);
// For messages: labels joined with dots, control characters escaped.
std::string shown(const DnsName& name);

enum class DnsType : std::uint16_t { a = 1, ptr = 12, txt = 16, aaaa = 28, srv = 33, any = 255 };

struct DnsQuestion {
  DnsName name;
  DnsType type = DnsType::ptr;
};

struct Ptr {
  DnsName target;
};
struct Srv {
  std::uint16_t priority = 0;
  std::uint16_t weight = 0;
  std::uint16_t port = 0;
  DnsName host;
};
// In order; the first of several equal keys counts (RFC 6763, 6.4). A string without '=' has an
// empty value.
struct Txt {
  std::vector<std::pair<std::string, std::string>> pairs;
};
struct Address4 {
  std::array<std::uint8_t, 4> bytes{};
};
struct Address6 {
  std::array<std::uint8_t, 16> bytes{};
};
struct OtherRecord {
  std::uint16_t type = 0;
};

struct DnsRecord {
  DnsName name;
  std::uint32_t ttl_s = 0;  // 0: goodbye (RFC 6762, 10.1)
  std::variant<OtherRecord, Ptr, Srv, Txt, Address4, Address6> data;
};

struct DnsMessage {
  std::uint16_t id = 0;
  bool response = false;
  std::vector<DnsQuestion> questions;
  std::vector<DnsRecord> records;  // answers, authorities and additional ones together
};

// The bounds of what is taken from one packet.
constexpr std::size_t most_dns_bytes = 9000;  // RFC 6762, clause 17
constexpr std::size_t most_dns_entries = 256;

// Errors: bad_data for packets that are too long, end early, or whose names loop, go forward, or
// are longer than 255 bytes (RFC 1035, 2.3.4).
Result<DnsMessage> decode_dns(std::string_view packet);

// A query of class IN. `id` comes back in legacy unicast answers (RFC 6762, 6.7).
std::string encode_dns_query(std::uint16_t id, const std::vector<DnsQuestion>& questions);

// The value of `key`, whose letter case does not count; "" when there is none.
std::string text_value(const Txt& text, std::string_view key);

}  // namespace nightbench::discovery
