#include "drivers/discovery/dns.hpp"

#include <algorithm>

namespace nightbench::discovery {
namespace {

constexpr std::size_t most_name_bytes = 255;
constexpr std::size_t most_label_bytes = 63;

char lower(char c) {
  return c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c;
}
bool same_text(std::string_view a, std::string_view b) {
  return std::equal(a.begin(), a.end(), b.begin(), b.end(),
                    [](char x, char y) { return lower(x) == lower(y); });
}

std::unexpected<Error> broken(const std::string& what) {
  return fail(ErrorKind::bad_data, "DNS: " + what);
}

class Reader {
 public:
  explicit Reader(std::string_view packet) : packet_(packet) {}

  Result<std::uint8_t> byte() {
    if (at_ >= packet_.size()) return broken("the packet ends early");
    return static_cast<std::uint8_t>(packet_[at_++]);
  }
  Result<std::uint16_t> word() {
    TRY_ASSIGN(const std::uint8_t high, byte());
    TRY_ASSIGN(const std::uint8_t low, byte());
    return static_cast<std::uint16_t>(high << 8 | low);
  }
  Result<std::uint32_t> long_word() {
    TRY_ASSIGN(const std::uint16_t high, word());
    TRY_ASSIGN(const std::uint16_t low, word());
    return std::uint32_t{high} << 16 | low;
  }
  Result<std::string_view> bytes(std::size_t count) {
    if (count > packet_.size() - at_) return broken("the packet ends early");
    const std::string_view out = packet_.substr(at_, count);
    at_ += count;
    return out;
  }
  // Pointers (RFC 1035, 4.1.4) may only go back, each further than the last: no loops.
  Result<DnsName> name() {
    DnsName out;
    std::size_t length = 0;
    std::size_t here = at_;
    std::size_t bound = at_;  // pointers must lead to before this
    bool jumped = false;
    for (;;) {
      if (here >= packet_.size()) return broken("a name ends early");
      const auto size = static_cast<std::uint8_t>(packet_[here++]);
      if (size == 0) break;
      if ((size & 0xC0) == 0xC0) {
        if (here >= packet_.size()) return broken("a name ends early");
        const std::size_t target =
            static_cast<std::size_t>(size & 0x3F) << 8 | static_cast<std::uint8_t>(packet_[here++]);
        if (!jumped) at_ = here;
        jumped = true;
        if (target >= bound) return broken("a name that points forward or to itself");
        bound = target;
        here = target;
        continue;
      }
      if (size > most_label_bytes) return broken("a label of more than 63 bytes");
      length += size + 1U;
      if (length + 1 > most_name_bytes) return broken("a name of more than 255 bytes");
      if (size > packet_.size() - here) return broken("a name ends early");
      out.emplace_back(packet_.substr(here, size));
      here += size;
    }
    if (!jumped) at_ = here;
    return out;
  }
  std::size_t at() const { return at_; }
  void go_to(std::size_t at) { at_ = at; }
  // The same packet up to `end`, from here.
  Reader until(std::size_t end) const {
    Reader out(packet_.substr(0, end));
    out.at_ = at_;
    return out;
  }

 private:
  std::string_view packet_;
  std::size_t at_ = 0;
};

Result<Txt> read_txt(std::string_view data) {
  Txt out;
  while (!data.empty()) {
    const auto size = static_cast<std::uint8_t>(data.front());
    data.remove_prefix(1);
    if (size > data.size()) return broken("a text record ends early");
    const std::string_view pair = data.substr(0, size);
    data.remove_prefix(size);
    const std::size_t equals = pair.find('=');
    if (pair.empty() || equals == 0) continue;  // RFC 6763, 6.4: without a key, not there
    const std::string key(pair.substr(0, equals));
    const std::string value(equals == std::string_view::npos ? "" : pair.substr(equals + 1));
    const bool known = std::any_of(out.pairs.begin(), out.pairs.end(),
                                   [&](const auto& each) { return same_text(each.first, key); });
    if (!known) out.pairs.emplace_back(key, value);
  }
  return out;
}

Result<DnsRecord> read_record(Reader& in) {
  DnsRecord out;
  TRY_ASSIGN(out.name, in.name());
  TRY_ASSIGN(const std::uint16_t type, in.word());
  TRY(in.word());  // class; its top bit says "flush the cache" and we have none
  TRY_ASSIGN(out.ttl_s, in.long_word());
  TRY_ASSIGN(const std::uint16_t length, in.word());
  const std::size_t start = in.at();
  TRY_ASSIGN(const std::string_view data, in.bytes(length));
  const std::size_t end = in.at();
  in.go_to(start);
  Reader inside = in.until(end);
  in.go_to(end);
  switch (static_cast<DnsType>(type)) {
    case DnsType::ptr: {
      Ptr ptr;
      TRY_ASSIGN(ptr.target, inside.name());
      out.data = std::move(ptr);
      return out;
    }
    case DnsType::srv: {
      Srv srv;
      TRY_ASSIGN(srv.priority, inside.word());
      TRY_ASSIGN(srv.weight, inside.word());
      TRY_ASSIGN(srv.port, inside.word());
      TRY_ASSIGN(srv.host, inside.name());
      out.data = std::move(srv);
      return out;
    }
    case DnsType::txt: {
      TRY_ASSIGN(out.data, read_txt(data));
      return out;
    }
    case DnsType::a: {
      if (length != 4) return broken("an IPv4 address of " + std::to_string(length) + " bytes");
      Address4 address;
      for (std::size_t i = 0; i < address.bytes.size(); ++i) {
        address.bytes[i] = static_cast<std::uint8_t>(data[i]);
      }
      out.data = address;
      return out;
    }
    case DnsType::aaaa: {
      if (length != 16) return broken("an IPv6 address of " + std::to_string(length) + " bytes");
      Address6 address;
      for (std::size_t i = 0; i < address.bytes.size(); ++i) {
        address.bytes[i] = static_cast<std::uint8_t>(data[i]);
      }
      out.data = address;
      return out;
    }
    case DnsType::any:
      break;
  }
  out.data = OtherRecord{type};
  return out;
}

void put_word(std::string& out, std::uint16_t value) {
  out += static_cast<char>(value >> 8);
  out += static_cast<char>(value & 0xFF);
}

}  // namespace

DnsName dns_name(std::string_view dotted) {
  DnsName out(1);
  for (const char c : dotted) {
    if (c == '.') {
      out.emplace_back();
    } else {
      out.back() += c;
    }
  }
  return out;
}

bool same_name(const DnsName& a, const DnsName& b) {
  return std::equal(a.begin(), a.end(), b.begin(), b.end(), same_text);
}

std::string shown(const DnsName& name) {
  std::string out;
  for (const std::string& label : name) {
    if (!out.empty()) out += '.';
    out += label;
  }
  return excerpt(out, 255);
}

Result<DnsMessage> decode_dns(std::string_view packet) {
  if (packet.size() > most_dns_bytes) {
    return broken("a packet of " + std::to_string(packet.size()) + " bytes");
  }
  Reader in(packet);
  DnsMessage out;
  TRY_ASSIGN(out.id, in.word());
  TRY_ASSIGN(const std::uint16_t flags, in.word());
  out.response = (flags & 0x8000) != 0;
  TRY_ASSIGN(const std::uint16_t questions, in.word());
  std::size_t records = 0;
  for (int section = 0; section < 3; ++section) {
    TRY_ASSIGN(const std::uint16_t count, in.word());
    records += count;
  }
  if (questions + records > most_dns_entries) {
    return broken("a packet of " + std::to_string(questions + records) + " entries, at most " +
                  std::to_string(most_dns_entries) + " expected");
  }
  for (std::size_t i = 0; i < questions; ++i) {
    DnsQuestion question;
    TRY_ASSIGN(question.name, in.name());
    TRY_ASSIGN(const std::uint16_t type, in.word());
    TRY(in.word());
    question.type = static_cast<DnsType>(type);
    out.questions.push_back(std::move(question));
  }
  for (std::size_t i = 0; i < records; ++i) {
    TRY_ASSIGN(DnsRecord record, read_record(in));
    out.records.push_back(std::move(record));
  }
  return out;
}

std::string encode_dns_query(std::uint16_t id, const std::vector<DnsQuestion>& questions) {
  std::string out;
  put_word(out, id);
  put_word(out, 0);
  put_word(out, static_cast<std::uint16_t>(questions.size()));
  for (int section = 0; section < 3; ++section) put_word(out, 0);
  for (const DnsQuestion& question : questions) {
    for (const std::string& label : question.name) {
      const std::string_view cut = std::string_view(label).substr(0, most_label_bytes);
      out += static_cast<char>(cut.size());
      out += cut;
    }
    out += '\0';
    put_word(out, static_cast<std::uint16_t>(question.type));
    put_word(out, 1);
  }
  return out;
}

std::string text_value(const Txt& text, std::string_view key) {
  for (const auto& [name, value] : text.pairs) {
    if (same_text(name, key)) return value;
  }
  return {};
}

}  // namespace nightbench::discovery
