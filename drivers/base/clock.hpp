// The clock seam: every wait, deadline and timestamp of the program goes through one Clock.
//
// RealClock follows the machine's monotonic clock. VirtualClock moves only when nothing else is
// left to do, so that a ten-hour night runs in seconds and twice the same way. Both belong to one
// io_context; call them from its thread only.
#pragma once

#include <boost/asio/awaitable.hpp>
#include <chrono>
#include <cstdint>
#include <functional>
#include <memory>
#include <string>

#include "drivers/base/error.hpp"

namespace boost::asio {
class io_context;
}

namespace nightbench {

using Duration = std::chrono::nanoseconds;
// Monotonic time since the clock was made; never steps back.
using TimePoint = std::chrono::time_point<std::chrono::steady_clock, Duration>;
// Calendar time (UTC), for records only: it may jump.
using WallTime = std::chrono::time_point<std::chrono::system_clock, Duration>;

template <typename T>
using Awaitable = boost::asio::awaitable<T>;

// A pending alarm; destroying it cancels. The callback runs on the clock's io_context, never from
// inside arm().
class Alarm {
 public:
  virtual ~Alarm() = default;
};

class Clock {
 public:
  virtual ~Clock() = default;
  virtual TimePoint now() const = 0;
  virtual WallTime wall() const = 0;
  // Calls `ring` once at `when` (at once, but still later, when that has passed); never when that
  // is TimePoint::max().
  [[nodiscard]] virtual std::unique_ptr<Alarm> arm(TimePoint when, std::function<void()> ring) = 0;
  virtual boost::asio::io_context& context() = 0;
};

// Suspends the calling coroutine until `when`. Ends early, quietly, when the coroutine's
// cancellation slot fires. A span that ends beyond TimePoint::max() lasts until cancelled.
Awaitable<void> sleep_until(Clock& clock, TimePoint when);
Awaitable<void> sleep_for(Clock& clock, Duration span);

class RealClock final : public Clock {
 public:
  explicit RealClock(boost::asio::io_context& context);
  TimePoint now() const override;
  WallTime wall() const override;
  std::unique_ptr<Alarm> arm(TimePoint when, std::function<void()> ring) override;
  boost::asio::io_context& context() override { return context_; }

 private:
  boost::asio::io_context& context_;
};

// Time that moves by itself. run_until_idle() executes ready handlers; when none is left it jumps
// to the earliest alarm. Alarms at the same instant ring in the order in which they were armed.
class VirtualClock final : public Clock {
 public:
  explicit VirtualClock(boost::asio::io_context& context,
                        WallTime start = WallTime(std::chrono::seconds(1'790'000'000)));
  ~VirtualClock() override;
  TimePoint now() const override;
  WallTime wall() const override;
  std::unique_ptr<Alarm> arm(TimePoint when, std::function<void()> ring) override;
  boost::asio::io_context& context() override { return context_; }

  // Runs until no handler is ready and no alarm is armed, or `done` (asked between handlers)
  // returns true, or virtual time would pass `until`. Returns whether `done` was the reason.
  bool run(const std::function<bool()>& done, TimePoint until = TimePoint::max());
  // Makes calendar time jump, as a clock set by hand or a leap of a time server does.
  void shift_wall(Duration by) { wall_start_ += by; }

 private:
  struct Queue;
  boost::asio::io_context& context_;
  WallTime wall_start_;
  std::shared_ptr<Queue> queue_;
};

// "2026-11-25T03:04:05.123Z" (ISO 8601, UTC, milliseconds).
std::string iso8601(WallTime time);
// Seconds between two instants as a double.
double seconds(Duration span);
// The nearest representable span for `seconds`; saturates instead of overflowing.
Duration from_seconds(double seconds);

}  // namespace nightbench
