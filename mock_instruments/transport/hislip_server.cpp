#include "mock_instruments/transport/hislip_server.hpp"

#include <algorithm>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/io_context.hpp>
#include <map>
#include <utility>
#include <vector>

#include "mock_instruments/transport/hislip_session.hpp"
#include "mock_instruments/transport/listener.hpp"

namespace nightbench::mock::transport {
namespace asio = boost::asio;
using namespace link::hislip;

namespace {

constexpr std::size_t most_greeting = 4096;
// A connection that says nothing at first holds a place that others may need.
constexpr Duration greeting_limit = std::chrono::seconds(10);

Awaitable<void> turn_away(std::shared_ptr<Channel> channel, Fatal code, std::string text,
                          TimePoint until) {
  Header header;
  header.type = Type::fatal_error;
  header.control = static_cast<std::uint8_t>(code);
  const Result<void> ignored = co_await channel->send(header, text, until);
  channel->close();  // told or not, it goes
}

}  // namespace

class HislipServer::Core : public std::enable_shared_from_this<HislipServer::Core> {
 public:
  Core(std::shared_ptr<Device> device, Clock& clock, HislipServerOptions options)
      : options_(std::move(options)),
        device_(std::move(device)),
        clock_(clock),
        lock_(std::make_shared<HislipLock>(clock)) {}

  Result<void> listen() {
    const std::weak_ptr<Core> self = weak_from_this();
    TRY_ASSIGN(listener_, Listener::open(clock_, options_.address, options_.port, [self](auto s) {
                 const auto core = self.lock();
                 if (!core) return;
                 const auto channel = std::make_shared<Channel>(std::move(s));
                 core->greeting_.push_back(channel);
                 asio::co_spawn(core->clock_.context(), greet(core, channel), asio::detached);
               }));
    return {};
  }
  void stop() {
    listener_.reset();
    drop_clients();
  }
  void drop_clients() {
    for (const auto& channel : std::exchange(greeting_, {})) channel->close();
    const auto all = sessions_;
    for (const auto& [id, session] : all) session->close();
  }
  void fail_clients(std::uint8_t code, const std::string& text) {
    for (const auto& [id, session] : sessions_) {
      asio::co_spawn(clock_.context(), session->die(static_cast<Fatal>(code), text),
                     asio::detached);
    }
  }
  void request_service() {
    for (const auto& [id, session] : sessions_) session->request_service();
  }
  std::uint16_t port() const { return listener_ ? listener_->port() : 0; }
  std::size_t sessions() const { return sessions_.size(); }

 private:
  static Awaitable<void> greet(std::shared_ptr<Core> self, std::shared_ptr<Channel> channel);
  Awaitable<void> open_session(std::shared_ptr<Channel> channel, Message hello);
  Awaitable<void> join_session(std::shared_ptr<Channel> channel, Message hello);

  HislipServerOptions options_;
  std::shared_ptr<Device> device_;
  Clock& clock_;
  std::shared_ptr<HislipLock> lock_;
  std::unique_ptr<Listener> listener_;
  std::vector<std::shared_ptr<Channel>> greeting_;
  std::map<std::uint16_t, std::shared_ptr<HislipSession>> sessions_;
  std::uint16_t next_id_ = 1;  // never used again soon: a late second connection must not match
};

// The first message of a connection says what it is.
Awaitable<void> HislipServer::Core::greet(std::shared_ptr<Core> self,
                                          std::shared_ptr<Channel> channel) {
  const TimePoint until = self->clock_.now() + greeting_limit;
  Result<Message> hello = co_await channel->read_message(most_greeting, until);
  std::erase(self->greeting_, channel);
  if (!hello) {
    if (hello.error().kind == ErrorKind::bad_data) {
      co_await turn_away(channel, Fatal::bad_header, "poorly formed header", until);
    }
    channel->close();
    co_return;
  }
  if (hello->header.type == Type::initialize) {
    co_await self->open_session(channel, *std::move(hello));
  } else if (hello->header.type == Type::async_initialize) {
    co_await self->join_session(channel, *std::move(hello));
  } else {
    co_await turn_away(channel, Fatal::channels_not_established, "Initialize first", until);
  }
}

Awaitable<void> HislipServer::Core::open_session(std::shared_ptr<Channel> channel, Message hello) {
  const TimePoint until = clock_.now() + greeting_limit;
  if (hello.payload.ends_with('\0')) hello.payload.pop_back();
  if (!hello.payload.empty() && hello.payload != options_.sub_address) {
    co_await turn_away(channel, Fatal::bad_initialization, "no such sub-address", until);
    co_return;
  }
  if (sessions_.size() >= options_.most_sessions) {
    co_await turn_away(channel, Fatal::too_many_clients, "too many clients", until);
    co_return;
  }
  const std::uint16_t id = next_id_++;
  const auto session = std::make_shared<HislipSession>(id, device_, lock_, options_, clock_);
  sessions_[id] = session;
  const std::shared_ptr<Core> self = shared_from_this();
  Header answer;
  answer.type = Type::initialize_response;
  answer.control = options_.prefer_overlap ? prefer_overlap : std::uint8_t{0};
  if (options_.demand_encryption) answer.control |= demand_encryption | initial_encryption;
  const auto theirs = static_cast<std::uint16_t>(hello.header.parameter >> 16);
  answer.parameter = std::uint32_t{std::min(theirs, options_.version)} << 16 | id;
  session->start_sync(channel, [self, id] { self->sessions_.erase(id); });
  const Result<void> sent = co_await channel->send(answer, "", until);
  if (!sent) session->close();
}

Awaitable<void> HislipServer::Core::join_session(std::shared_ptr<Channel> channel, Message hello) {
  const TimePoint until = clock_.now() + greeting_limit;
  const auto found = sessions_.find(static_cast<std::uint16_t>(hello.header.parameter & 0xFFFF));
  if (found == sessions_.end() || found->second->has_async()) {
    co_await turn_away(channel, Fatal::bad_initialization, "no such session", until);
    co_return;
  }
  const std::shared_ptr<HislipSession> session = found->second;
  Header answer;
  answer.type = Type::async_initialize_response;
  answer.parameter = 0x4E42;  // vendor: "NB"
  session->start_async(channel);
  const Result<void> sent = co_await channel->send(answer, "", until);
  if (!sent) session->close();
}

Result<std::unique_ptr<HislipServer>> HislipServer::start(std::shared_ptr<Device> device,
                                                          Clock& clock,
                                                          HislipServerOptions options) {
  const auto core = std::make_shared<Core>(std::move(device), clock, std::move(options));
  TRY(core->listen());
  return std::unique_ptr<HislipServer>(new HislipServer(core));
}

HislipServer::HislipServer(std::shared_ptr<Core> core) : core_(std::move(core)) {}
HislipServer::~HislipServer() {
  core_->stop();
}
std::uint16_t HislipServer::port() const {
  return core_->port();
}
std::size_t HislipServer::sessions() const {
  return core_->sessions();
}
void HislipServer::request_service() {
  core_->request_service();
}
void HislipServer::drop_clients() {
  core_->drop_clients();
}
void HislipServer::fail_clients(std::uint8_t code, std::string text) {
  core_->fail_clients(code, text);
}

}  // namespace nightbench::mock::transport
