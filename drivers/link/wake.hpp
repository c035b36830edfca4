// Waiting for something that another coroutine of the same io_context thread will do: the condition
// variable of a single-threaded program. It must outlive its waiters; keep it in shared state.
#pragma once

#include <boost/asio/steady_timer.hpp>
#include <cstdint>

#include "drivers/base/clock.hpp"

namespace nightbench::link {

class Wake {
 public:
  enum class Why : std::uint8_t {
    rung,     // by ring(), perhaps for somebody else: look again
    late,     // the deadline came first
    stopped,  // the waiting coroutine's cancellation slot fired
  };

  explicit Wake(Clock& clock);
  // Wakes everybody who waits now.
  void ring();
  Awaitable<Why> wait(TimePoint deadline);
  Clock& clock() { return clock_; }

 private:
  Clock& clock_;
  boost::asio::steady_timer timer_;  // never expires by itself
};

}  // namespace nightbench::link
