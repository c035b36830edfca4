#include "daemon/http/server.hpp"

#include <spdlog/spdlog.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/local/stream_protocol.hpp>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <charconv>
#include <filesystem>
#include <optional>

#include "daemon/http/connection.hpp"

namespace nightbench::http {
namespace asio = boost::asio;
using asio::ip::tcp;
using Local = asio::local::stream_protocol;

namespace {

constexpr int kLinesASecond = 10;

std::unexpected<Error> cannot_listen(ErrorKind kind, const std::string& address,
                                     const std::string& why) {
  return fail(kind, "cannot listen on " + address + ": " + why);
}

struct Place {
  asio::ip::address address;
  unsigned short port = 0;
};

std::optional<Place> place_of(const std::string& text) {
  const std::size_t colon = text.rfind(':');
  if (colon == std::string::npos) return std::nullopt;
  std::string host = text.substr(0, colon);
  if (host.size() > 2 && host.front() == '[' && host.back() == ']') {
    host = host.substr(1, host.size() - 2);
  } else if (host.find(':') != std::string::npos) {
    return std::nullopt;
  }
  if (host == "localhost") host = "127.0.0.1";
  Place place;
  const char* end = text.data() + text.size();
  const auto [read, code] = std::from_chars(text.data() + colon + 1, end, place.port);
  boost::system::error_code failed;
  place.address = asio::ip::make_address(host, failed);
  if (failed || code != std::errc() || read != end || colon + 1 == text.size()) {
    return std::nullopt;
  }
  return place;
}

std::string peer_of(const tcp::endpoint& endpoint) {
  return endpoint.address().to_string();
}
std::string peer_of(const Local::endpoint&) {
  return "local";
}

// Coroutine of one listener. After an error such as "too many open files" it waits a little: the
// connections that are open will end.
template <typename Protocol>
Awaitable<void> accept(std::shared_ptr<Server::State> state,
                       std::shared_ptr<typename Protocol::acceptor> acceptor,
                       std::shared_ptr<const Door> door) {
  while (acceptor->is_open()) {
    typename Protocol::endpoint from;
    typename Protocol::socket socket(acceptor->get_executor());
    boost::system::error_code failed;
    co_await acceptor->async_accept(socket, from,
                                    asio::redirect_error(asio::use_awaitable, failed));
    if (failed == asio::error::operation_aborted) co_return;
    if (failed) {
      co_await sleep_for(state->clock, std::chrono::milliseconds(50));
      continue;
    }
    ++state->tally.accepted;
    const std::string peer = peer_of(from);
    if (state->connections.size() >= state->limits.connections && !state->make_room()) {
      state->refuse({503, "many-connections", "all connections are busy"}, peer);
      continue;
    }
    const auto connection =
        std::make_shared<Connection>(state, Connection::Socket(std::move(socket)), door, peer);
    asio::co_spawn(acceptor->get_executor(), connection->serve(), asio::detached);
  }
}

}  // namespace

void Server::State::refuse(const Refusal& refusal, const std::string& peer) {
  ++tally.refused[refusal.reason];
  Quiet& quiet = quiet_[refusal.reason];
  const TimePoint now = clock.now();
  if (now - quiet.since >= std::chrono::seconds(1)) {
    if (quiet.left_out > 0) {
      spdlog::warn("refused ({}): {} more of these", refusal.reason, quiet.left_out);
    }
    quiet = {now, 0, 0};
  }
  if (quiet.lines >= kLinesASecond) {
    ++quiet.left_out;
    return;
  }
  ++quiet.lines;
  spdlog::warn("refused ({}) from {}: {}", refusal.reason, peer, refusal.text);
}

bool Server::State::make_room() {
  Connection* oldest = nullptr;
  for (Connection* each : connections) {
    if (each->idle() && (oldest == nullptr || each->idle_since() < oldest->idle_since())) {
      oldest = each;
    }
  }
  if (oldest == nullptr) return false;
  ++tally.evicted;
  oldest->close();
  return true;
}

Server::Server(Clock& clock, Gate& gate, service::EventHub& events, Limits limits, Handler handler,
               OpenToAll open_to_all)
    : state_(std::make_shared<State>(clock, gate, events)) {
  state_->limits = limits;
  state_->handler = std::move(handler);
  state_->open_to_all = std::move(open_to_all);
}

Server::~Server() {
  stop();
  cut();
}

const Tally& Server::tally() const {
  return state_->tally;
}

Result<std::string> Server::listen(const std::string& address,
                                   const std::vector<std::string>& hosts, Token token) {
  auto& io = state_->clock.context();
  boost::system::error_code failed;
  auto door = std::make_shared<Door>();
  if (address.starts_with("unix:")) {
    const std::filesystem::path file = std::filesystem::absolute(address.substr(5));
    if (file.string().size() > 100) {
      return cannot_listen(ErrorKind::bad_input, address, "the path is longer than 100 bytes");
    }
    std::filesystem::create_directories(file.parent_path(), failed);
    if (std::filesystem::is_socket(file, failed)) {
      Local::socket trial(io);
      trial.connect(Local::endpoint(file.string()), failed);
      if (!failed) return cannot_listen(ErrorKind::refused, address, "another service is there");
      ::unlink(file.c_str());
    }
    auto acceptor = std::make_shared<Local::acceptor>(io);
    acceptor->open(Local(), failed);
    const mode_t before = ::umask(0177);
    if (!failed) acceptor->bind(Local::endpoint(file.string()), failed);
    ::umask(before);
    if (!failed) acceptor->listen(asio::socket_base::max_listen_connections, failed);
    if (failed) return cannot_listen(ErrorKind::refused, address, failed.message());
    door->authorities = authorities("", 0, true, hosts);
    state_->sockets.push_back(file.string());
    state_->close_listeners.emplace_back([acceptor] {
      boost::system::error_code ignored;
      acceptor->close(ignored);
    });
    asio::co_spawn(io, accept<Local>(state_, acceptor, door), asio::detached);
    return "unix:" + file.string();
  }
  const auto place = place_of(address);
  if (!place) {
    return cannot_listen(ErrorKind::bad_input, address,
                         "expected an address such as 127.0.0.1:7411, [::1]:0 or unix:/path");
  }
  const bool loopback = place->address.is_loopback();
  door->needs_token = !loopback || token == Token::everywhere;
  if (!loopback && token == Token::none) {
    return cannot_listen(ErrorKind::bad_input, address,
                         "other machines can reach that, so a token is needed (\"token_file\")");
  }
  const tcp::endpoint endpoint(place->address, place->port);
  auto acceptor = std::make_shared<tcp::acceptor>(io);
  acceptor->open(endpoint.protocol(), failed);
  if (!failed) acceptor->set_option(asio::socket_base::reuse_address(true), failed);
  if (!failed) acceptor->bind(endpoint, failed);
  if (!failed) acceptor->listen(asio::socket_base::max_listen_connections, failed);
  if (failed) return cannot_listen(ErrorKind::refused, address, failed.message());
  const unsigned short port = acceptor->local_endpoint(failed).port();
  const std::string literal = place->address.to_string();
  door->authorities = authorities(literal, port, loopback, hosts);
  state_->close_listeners.emplace_back([acceptor] {
    boost::system::error_code ignored;
    acceptor->close(ignored);
  });
  asio::co_spawn(io, accept<tcp>(state_, acceptor, door), asio::detached);
  const std::string shown = place->address.is_v6() ? "[" + literal + "]" : literal;
  return "http://" + shown + ":" + std::to_string(port);
}

void Server::stop() {
  state_->stopping = true;
  for (const auto& close : state_->close_listeners) close();
  state_->close_listeners.clear();
  for (const std::string& file : state_->sockets) ::unlink(file.c_str());
  state_->sockets.clear();
  for (Connection* each : state_->connections) {
    if (each->idle()) each->close();
  }
}

void Server::cut() {
  for (Connection* each : state_->connections) each->close();
}

}  // namespace nightbench::http
