// What happens in the service, in order, for whoever watches: the latest events are kept in memory
// up to a size, each watcher reads on from the last one it has seen. No watcher is waited for and
// none costs memory; one that is too slow finds a gap and is told.
//
// On the I/O thread only.
#pragma once

#include <boost/asio/steady_timer.hpp>
#include <cstdint>
#include <deque>
#include <string>
#include <vector>

#include "drivers/base/clock.hpp"

namespace nightbench::service {

struct Event {
  std::uint64_t id = 0;  // 1, 2, ...
  std::string type;      // "point", "queue", ...
  std::string data;      // JSON on one line
};

class EventHub {
 public:
  explicit EventHub(boost::asio::io_context& io, std::size_t most_bytes = 4U << 20U);

  void publish(std::string type, std::string data);
  // Id of the latest event, 0 before the first.
  std::uint64_t last() const { return next_ - 1; }

  struct Batch {
    std::vector<const Event*> events;  // valid until the next publish()
    bool gap = false;                  // events between `after` and the first of these are gone
  };
  // Events later than `after`, oldest first, about `most_bytes` of them.
  Batch since(std::uint64_t after, std::size_t most_bytes = 256U << 10U) const;

  // Returns when there is an event later than `after`, after poke(), or after close().
  Awaitable<void> wait(std::uint64_t after);
  void poke();
  // No more events: every wait returns at once.
  void close();
  bool closed() const { return closed_; }

 private:
  boost::asio::steady_timer changed_;
  std::deque<Event> kept_;
  std::size_t bytes_ = 0, most_bytes_;
  std::uint64_t next_ = 1;
  bool closed_ = false;
};

}  // namespace nightbench::service
