// The HTTP server: listeners on TCP and Unix sockets, a bounded number of connections with
// deadlines, one coroutine each. On the clock's io_context thread only.
//
// When all connections are taken, the one that has waited longest for a request makes room for a
// new one, so idle clients keep nobody out. Everything refused is counted and logged, the log at
// most ten lines a second a reason.
#pragma once

#include <boost/asio/generic/stream_protocol.hpp>
#include <functional>
#include <map>
#include <memory>
#include <string>
#include <vector>

#include "daemon/http/gate.hpp"
#include "daemon/http/message.hpp"
#include "daemon/service/event_hub.hpp"
#include "drivers/base/clock.hpp"

namespace nightbench::http {

struct Limits {
  std::size_t connections = 256;
  std::size_t streams = 64;  // connections that read events
  std::size_t head_bytes = 8U << 10U;
  std::size_t body_bytes = 2U << 20U;
  double head_s = 10;  // from the first byte of a head, or from the connection on
  double body_s = 20;
  double idle_s = 60;   // between requests
  double write_s = 20;  // of one response, or one piece of a stream
  double beat_s = 10;   // a stream without events gets a comment so often
};

struct Tally {
  std::uint64_t accepted = 0;
  std::uint64_t evicted = 0;  // made room
  std::size_t open = 0, streams = 0;
  std::map<int, std::uint64_t> responses;        // by status
  std::map<std::string, std::uint64_t> refused;  // by reason
};

// Answers a request that may pass; never throws.
using Handler = std::function<Awaitable<Response>(Request)>;
// Whether a request holds no data and takes no token.
using OpenToAll = std::function<bool(const Request&)>;

class Connection;

class Server {
 public:
  // `clock`, `gate` and `events` must outlive the server.
  Server(Clock& clock, Gate& gate, service::EventHub& events, Limits limits, Handler handler,
         OpenToAll open_to_all);
  ~Server();
  Server(const Server&) = delete;
  Server& operator=(const Server&) = delete;

  // "127.0.0.1:7411", "[::1]:0" or "unix:/path". Returns where it listens: "http://127.0.0.1:40001"
  // or "unix:/path". A Unix socket may be used by its owner only; one left behind by a dead process
  // is replaced. Errors: bad_input (no such address; not loopback with Token::none), refused
  // (taken). With Token::everywhere a TCP listener on loopback takes the token too.
  enum class Token : std::uint8_t { none, remote, everywhere };
  Result<std::string> listen(const std::string& address, const std::vector<std::string>& hosts,
                             Token token);
  // Closes the listeners and the idle connections; others end after their answer.
  void stop();
  // Closes what is left.
  void cut();
  const Tally& tally() const;

  struct State;  // shared with the connections

 private:
  std::shared_ptr<State> state_;
};

}  // namespace nightbench::http
