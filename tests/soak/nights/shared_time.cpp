#include "tests/soak/nights/shared_time.hpp"

#include <algorithm>

namespace nightbench::testing {

SharedTime::SharedTime(WallTime start) : wall_start_(start) {}

Loop::Loop(SharedTime& time) : time_(time) {
  time_.loops_.push_back(this);
}

Loop::~Loop() {
  std::erase(time_.loops_, this);
}

void Loop::drop() {
  freeze();
  io_.shutdown();
}

std::unique_ptr<Alarm> Loop::arm(TimePoint when, std::function<void()> ring) {
  class Entry final : public Alarm {
   public:
    Entry(std::shared_ptr<SharedTime::Queue> queue, std::pair<TimePoint, std::uint64_t> key)
        : queue_(std::move(queue)), key_(key) {}
    ~Entry() override { queue_->pending.erase(key_); }

   private:
    std::shared_ptr<SharedTime::Queue> queue_;
    std::pair<TimePoint, std::uint64_t> key_;
  };
  const std::pair key(std::max(when, time_.now_), time_.queue_->next++);
  time_.queue_->pending.emplace(key, SharedTime::Pending{alive_, std::move(ring)});
  return std::make_unique<Entry>(time_.queue_, key);
}

// Until no loop has a handler that is ready; whether any had one.
bool SharedTime::drain() {
  bool any = false;
  for (bool again = true; again;) {
    again = false;
    // By index: a handler may make a loop.
    for (std::size_t n = 0; n < loops_.size(); ++n) {
      Loop& loop = *loops_[n];
      if (!loop.is_alive()) continue;
      loop.io_.restart();
      while (loop.is_alive() && loop.io_.poll_one() != 0) again = true;
    }
    any = any || again;
  }
  return any;
}

bool SharedTime::run(const std::function<bool()>& done, TimePoint until) {
  for (;;) {
    drain();
    if (done && done()) return true;
    // What `done` has started comes first.
    if (drain()) continue;
    const auto first = queue_->pending.begin();
    if (first == queue_->pending.end() || first->first.first > until ||
        first->first.first == TimePoint::max()) {
      const bool standstill =
          first == queue_->pending.end() || first->first.first == TimePoint::max();
      if (!standstill || until != TimePoint::max()) now_ = std::max(now_, until);
      return false;
    }
    now_ = first->first.first;
    const Pending pending = std::move(first->second);
    queue_->pending.erase(first);
    if (*pending.alive) pending.ring();
  }
}

std::size_t SharedTime::step(Loop& loop, std::size_t most) {
  std::size_t done = 0;
  loop.io_.restart();
  while (done < most && loop.io_.poll_one() != 0) ++done;
  return done;
}

}  // namespace nightbench::testing
