// One virtual time for several processes-to-be in one thread: each has an I/O loop and a clock of
// its own, and one of them can be stopped dead between two of its handlers, as kill -9 does, while
// the others go on.
#pragma once

#include <boost/asio/io_context.hpp>
#include <cstdint>
#include <functional>
#include <map>
#include <memory>
#include <utility>
#include <vector>

#include "drivers/base/clock.hpp"

namespace nightbench::testing {

class Loop;

class SharedTime {
 public:
  explicit SharedTime(WallTime start = WallTime(std::chrono::seconds(1'790'000'000)));

  TimePoint now() const { return now_; }
  WallTime wall() const { return wall_start_ + now_.time_since_epoch(); }
  // Makes calendar time jump.
  void shift_wall(Duration by) { wall_start_ += by; }

  // Runs all loops that live, in the order in which they were made; time moves when none has
  // anything to do. Ends when `done` (asked between two moves of time) returns true: gives true. Or
  // when time would pass `until`, which it is then, or nothing is left to wait for: gives false.
  bool run(const std::function<bool()>& done, TimePoint until);
  // At most `most` handlers of one loop, at the present instant. Returns how many there were.
  std::size_t step(Loop& loop, std::size_t most);

 private:
  friend class Loop;
  struct Pending {
    std::shared_ptr<bool> alive;  // of its loop
    std::function<void()> ring;
  };
  struct Queue {
    std::uint64_t next = 0;
    std::map<std::pair<TimePoint, std::uint64_t>, Pending> pending;
  };
  bool drain();

  TimePoint now_{};
  WallTime wall_start_;
  std::shared_ptr<Queue> queue_ = std::make_shared<Queue>();
  std::vector<Loop*> loops_;
};

class Loop final : public Clock {
 public:
  explicit Loop(SharedTime& time);
  ~Loop() override;

  TimePoint now() const override { return time_.now(); }
  WallTime wall() const override { return time_.wall(); }
  std::unique_ptr<Alarm> arm(TimePoint when, std::function<void()> ring) override;
  boost::asio::io_context& context() override { return io_; }

  // Nothing of it runs any more.
  void freeze() { *alive_ = false; }
  bool is_alive() const { return *alive_; }
  // Destroys everything that is suspended on it, while what that refers to still stands.
  void drop();

 private:
  friend class SharedTime;
  // What is suspended can be destroyed before the context itself.
  struct Context : boost::asio::io_context {
    Context() : boost::asio::io_context(1) {}
    using boost::asio::execution_context::shutdown;
  };
  SharedTime& time_;
  std::shared_ptr<bool> alive_ = std::make_shared<bool>(true);
  Context io_;
};

}  // namespace nightbench::testing
