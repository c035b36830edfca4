#include "mock_instruments/transport/mdns_responder.hpp"

#include <algorithm>
#include <array>
#include <boost/asio/buffer.hpp>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/multicast.hpp>
#include <boost/asio/ip/udp.hpp>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <cctype>
#include <map>
#include <optional>
#include <string_view>

namespace nightbench::mock::transport {
namespace asio = boost::asio;
using asio::ip::udp;

namespace {

using Name = std::vector<std::string>;  // labels

constexpr std::uint16_t type_a = 1, type_ptr = 12, type_txt = 16, type_srv = 33, type_any = 255;
constexpr std::uint32_t legacy_ttl_s = 10;  // RFC 6762, 6.7: small

Name labels(std::string_view dotted) {
  Name out(1);
  for (const char c : dotted) {
    if (c == '.')
      out.emplace_back();
    else
      out.back() += c;
  }
  return out;
}

bool same(const Name& a, const Name& b) {
  const auto lower = [](unsigned char c) { return std::tolower(c); };
  return std::equal(
      a.begin(), a.end(), b.begin(), b.end(), [&](const std::string& x, const std::string& y) {
        return std::equal(x.begin(), x.end(), y.begin(), y.end(), [&](char p, char q) {
          return lower(static_cast<unsigned char>(p)) == lower(static_cast<unsigned char>(q));
        });
      });
}

struct Question {
  Name name;
  std::uint16_t type = 0;
  std::uint16_t klass = 0;
};

// Questions of a query; compressed names do not occur in those that we answer.
std::optional<std::vector<Question>> questions(std::string_view bytes) {
  const auto word = [&](std::size_t at) {
    return static_cast<std::uint16_t>(static_cast<unsigned char>(bytes[at]) << 8 |
                                      static_cast<unsigned char>(bytes[at + 1]));
  };
  if (bytes.size() < 12 || (word(2) & 0x8000) != 0) return std::nullopt;
  const std::size_t count = word(4);
  if (count > 32) return std::nullopt;
  std::vector<Question> out;
  std::size_t at = 12;
  for (std::size_t i = 0; i < count; ++i) {
    Question question;
    for (;;) {
      if (at >= bytes.size()) return std::nullopt;
      const std::size_t length = static_cast<unsigned char>(bytes[at++]);
      if (length == 0) break;
      if (length > 63 || at + length > bytes.size()) return std::nullopt;
      question.name.emplace_back(bytes.substr(at, length));
      at += length;
    }
    if (at + 4 > bytes.size()) return std::nullopt;
    question.type = word(at);
    question.klass = word(at + 2);
    at += 4;
    out.push_back(std::move(question));
  }
  return out;
}

// A response under construction.
class Writer {
 public:
  explicit Writer(bool compress) : compress_(compress) {}

  void word(std::uint16_t value) {
    bytes_ += static_cast<char>(value >> 8);
    bytes_ += static_cast<char>(value & 0xFF);
  }
  void name(const Name& labels) {
    for (std::size_t i = 0; i < labels.size(); ++i) {
      std::string rest;
      for (std::size_t j = i; j < labels.size(); ++j) rest += labels[j] + '\0';
      const auto known = places_.find(rest);
      if (compress_ && known != places_.end()) {
        word(static_cast<std::uint16_t>(0xC000 | known->second));
        return;
      }
      if (bytes_.size() < 0x3FFF) places_[rest] = static_cast<std::uint16_t>(bytes_.size());
      bytes_ += static_cast<char>(labels[i].size());
      bytes_ += labels[i];
    }
    bytes_ += '\0';
  }
  // The head of a record; end() fills the length in.
  void begin(const Name& owner, std::uint16_t type, bool flush) {
    name(owner);
    word(type);
    word(flush ? 0x8001 : 0x0001);
    word(static_cast<std::uint16_t>(legacy_ttl_s >> 16));
    word(static_cast<std::uint16_t>(legacy_ttl_s & 0xFFFF));
    length_at_ = bytes_.size();
    word(0);
  }
  void end() {
    const std::size_t length = bytes_.size() - length_at_ - 2;
    bytes_[length_at_] = static_cast<char>(length >> 8);
    bytes_[length_at_ + 1] = static_cast<char>(length & 0xFF);
  }
  void raw(std::string_view bytes) { bytes_ += bytes; }
  std::string take() { return std::move(bytes_); }

 private:
  bool compress_;
  std::string bytes_;
  std::map<std::string, std::uint16_t> places_;
  std::size_t length_at_ = 0;
};

}  // namespace

class MdnsResponder::Core : public std::enable_shared_from_this<MdnsResponder::Core> {
 public:
  Core(Clock& clock, std::vector<Announcement> announcements, MdnsResponderOptions options)
      : clock_(clock),
        announcements_(std::move(announcements)),
        options_(std::move(options)),
        socket_(clock.context()) {}

  Result<void> listen() {
    boost::system::error_code failed;
    const auto address = asio::ip::make_address(options_.address, failed);
    const auto interface = asio::ip::make_address_v4(options_.interface, failed);
    if (failed) return fail(ErrorKind::bad_input, "mDNS: an address is wrong");
    socket_.open(udp::v4(), failed);
    if (!failed) socket_.set_option(udp::socket::reuse_address(true), failed);
    if (!failed) socket_.bind(udp::endpoint(address, options_.port), failed);
    if (!failed && address.is_multicast()) {
      socket_.set_option(asio::ip::multicast::join_group(address.to_v4(), interface), failed);
    }
    if (failed) {
      return fail(ErrorKind::refused, "mDNS: cannot listen on " + options_.address + " port " +
                                          std::to_string(options_.port) + ": " + failed.message());
    }
    asio::co_spawn(clock_.context(), serve(shared_from_this()), asio::detached);
    return {};
  }
  void stop() {
    open_ = false;
    boost::system::error_code ignored;  // closing is all that is wanted
    socket_.close(ignored);
  }
  std::uint16_t port() const { return socket_.local_endpoint().port(); }
  std::uint64_t queries() const { return queries_; }

 private:
  static Awaitable<void> serve(std::shared_ptr<Core> self) {
    std::array<char, 9000> buffer{};
    while (self->open_) {
      udp::endpoint from;
      boost::system::error_code failed;
      const std::size_t count = co_await self->socket_.async_receive_from(
          asio::buffer(buffer), from, asio::redirect_error(asio::use_awaitable, failed));
      if (!self->open_) co_return;
      if (failed) continue;
      const std::string reply = self->answer(std::string_view(buffer.data(), count));
      if (reply.empty()) continue;
      co_await self->socket_.async_send_to(asio::buffer(reply), from,
                                           asio::redirect_error(asio::use_awaitable, failed));
    }
  }

  enum class Part : std::uint8_t { ptr, srv, txt, a, meta };
  struct Item {
    Part part;
    std::size_t announcement;
    auto operator<=>(const Item&) const = default;
  };

  Name type_name(const Announcement& each) const { return labels(each.type + ".local"); }
  Name instance_name(const Announcement& each) const {
    Name out = type_name(each);
    out.insert(out.begin(), each.instance);
    return out;
  }
  Name host_name() const { return {options_.host, "local"}; }

  std::string answer(std::string_view query) {
    const auto asked = questions(query);
    if (!asked) return {};
    std::vector<Item> answers;
    std::vector<Item> beside;
    const auto add = [](std::vector<Item>& to, Item item) {
      if (std::find(to.begin(), to.end(), item) == to.end()) to.push_back(item);
    };
    for (const Question& question : *asked) {
      const auto wants = [&](std::uint16_t type) {
        return question.type == type || question.type == type_any;
      };
      for (std::size_t i = 0; i < announcements_.size(); ++i) {
        const Announcement& each = announcements_[i];
        if (same(question.name, labels("_services._dns-sd._udp.local")) && wants(type_ptr)) {
          add(answers, {Part::meta, i});
        }
        if (same(question.name, type_name(each)) && wants(type_ptr)) {
          add(answers, {Part::ptr, i});
          for (const Part part : {Part::srv, Part::txt, Part::a}) add(beside, {part, i});
        }
        if (same(question.name, instance_name(each))) {
          if (wants(type_srv)) add(answers, {Part::srv, i});
          if (wants(type_txt)) add(answers, {Part::txt, i});
        }
        if (same(question.name, host_name()) && wants(type_a)) add(answers, {Part::a, i});
      }
    }
    if (answers.empty()) return {};
    ++queries_;
    if (!options_.additional_records) beside.clear();
    Writer out(options_.compress);
    out.raw(query.substr(0, 2));
    out.word(0x8400);
    out.word(static_cast<std::uint16_t>(asked->size()));
    out.word(static_cast<std::uint16_t>(answers.size()));
    out.word(0);
    out.word(static_cast<std::uint16_t>(beside.size()));
    for (const Question& question : *asked) {
      out.name(question.name);
      out.word(question.type);
      out.word(question.klass);
    }
    for (const Item& item : answers) write(out, item);
    for (const Item& item : beside) write(out, item);
    return out.take();
  }

  void write(Writer& out, const Item& item) const {
    const Announcement& each = announcements_[item.announcement];
    switch (item.part) {
      case Part::meta:
        out.begin(labels("_services._dns-sd._udp.local"), type_ptr, false);
        out.name(type_name(each));
        break;
      case Part::ptr:
        out.begin(type_name(each), type_ptr, false);
        out.name(instance_name(each));
        break;
      case Part::srv:
        out.begin(instance_name(each), type_srv, true);
        out.word(0);
        out.word(0);
        out.word(each.port);
        out.name(host_name());
        break;
      case Part::txt:
        out.begin(instance_name(each), type_txt, true);
        for (const auto& [key, value] : each.text) {
          const std::string pair = (key + "=" + value).substr(0, 255);
          out.raw(std::string(1, static_cast<char>(pair.size())) + pair);
        }
        if (each.text.empty()) out.raw(std::string(1, '\0'));
        break;
      case Part::a: {
        out.begin(host_name(), type_a, true);
        const auto bytes = asio::ip::make_address_v4(options_.host_address).to_bytes();
        for (const unsigned char byte : bytes) out.raw(std::string(1, static_cast<char>(byte)));
        break;
      }
    }
    out.end();
  }

  Clock& clock_;
  std::vector<Announcement> announcements_;
  MdnsResponderOptions options_;
  udp::socket socket_;
  std::uint64_t queries_ = 0;
  bool open_ = true;
};

Result<std::unique_ptr<MdnsResponder>> MdnsResponder::start(Clock& clock,
                                                            std::vector<Announcement> announcements,
                                                            MdnsResponderOptions options) {
  const auto core = std::make_shared<Core>(clock, std::move(announcements), std::move(options));
  TRY(core->listen());
  return std::unique_ptr<MdnsResponder>(new MdnsResponder(core));
}

MdnsResponder::MdnsResponder(std::shared_ptr<Core> core) : core_(std::move(core)) {}
MdnsResponder::~MdnsResponder() {
  core_->stop();
}
std::uint16_t MdnsResponder::port() const {
  return core_->port();
}
std::uint64_t MdnsResponder::queries() const {
  return core_->queries();
}

}  // namespace nightbench::mock::transport
