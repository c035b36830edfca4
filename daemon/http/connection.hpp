// One connection: heads and bodies read within their limits, answers and event streams written.
// Inside daemon/http only.
#pragma once

#include <boost/asio/generic/stream_protocol.hpp>
#include <list>
#include <memory>
#include <string>

#include "daemon/http/head.hpp"
#include "daemon/http/server.hpp"

namespace nightbench::http {

struct Server::State {
  State(Clock& its_clock, Gate& its_gate, service::EventHub& its_events)
      : clock(its_clock), gate(its_gate), events(its_events) {}
  Clock& clock;
  Gate& gate;
  service::EventHub& events;
  Limits limits;
  Handler handler;
  OpenToAll open_to_all;
  Tally tally;
  bool stopping = false;
  std::list<std::function<void()>> close_listeners;
  std::list<Connection*> connections;
  std::vector<std::string> sockets;  // Unix socket files to remove

  void refuse(const Refusal& refusal, const std::string& peer);
  // Closes the connection that has been idle longest; false when none is.
  bool make_room();

 private:
  struct Quiet {
    TimePoint since{};
    int lines = 0;
    std::uint64_t left_out = 0;
  };
  std::map<std::string, Quiet> quiet_;
};

class Connection : public std::enable_shared_from_this<Connection> {
 public:
  using Socket = boost::asio::generic::stream_protocol::socket;
  Connection(std::shared_ptr<Server::State> server, Socket socket, std::shared_ptr<const Door> door,
             std::string peer);
  ~Connection();

  // Serves until either side closes.
  Awaitable<void> serve();
  void close();
  bool idle() const { return idle_; }
  TimePoint idle_since() const { return since_; }

 private:
  enum class Read : std::uint8_t { good, closed, refused };
  void limit(double seconds);
  void no_limit() { alarm_.reset(); }
  Awaitable<bool> fill();
  Awaitable<Read> read_head_text(bool first, std::string* head);
  Awaitable<Read> read_body(std::uint64_t length, std::string* body);
  Awaitable<bool> exchange(bool first);
  Awaitable<bool> answer(Head head);
  Awaitable<void> turn_away(Refusal refusal);
  Awaitable<bool> write(Response response, bool head_only, bool keep_alive);
  Awaitable<void> stream(std::uint64_t after);

  std::shared_ptr<Server::State> server_;
  Socket socket_;
  std::shared_ptr<const Door> door_;
  std::string peer_;
  std::string buffer_;
  std::unique_ptr<Alarm> alarm_;
  bool idle_ = true, expired_ = false;
  TimePoint since_{};
  std::list<Connection*>::iterator place_;
};

}  // namespace nightbench::http
