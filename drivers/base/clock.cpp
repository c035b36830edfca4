#include "drivers/base/clock.hpp"

#include <algorithm>
#include <boost/asio/async_result.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/this_coro.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <cmath>
#include <cstdio>
#include <ctime>
#include <map>
#include <utility>

namespace nightbench {
namespace asio = boost::asio;

namespace {

class TimerAlarm final : public Alarm {
 public:
  TimerAlarm(asio::io_context& context, TimePoint when, std::function<void()> ring)
      : timer_(context) {
    timer_.expires_at(std::chrono::time_point_cast<std::chrono::steady_clock::duration>(when));
    timer_.async_wait([alive = std::weak_ptr<bool>(alive_), ring = std::move(ring)](
                          const boost::system::error_code& failed) {
      // The handler may be queued already when the alarm is destroyed: `alive` tells.
      if (!failed && !alive.expired()) ring();
    });
  }

 private:
  std::shared_ptr<bool> alive_ = std::make_shared<bool>(true);
  asio::steady_timer timer_;
};

}  // namespace

Awaitable<void> sleep_until(Clock& clock, TimePoint when) {
  // A timer that never expires is the condition variable of a single-threaded io_context.
  asio::steady_timer woken(clock.context(), asio::steady_timer::time_point::max());
  bool rang = false;
  const auto alarm = clock.arm(when, [&] {
    rang = true;
    woken.cancel();
  });
  if (!rang) {
    boost::system::error_code ignored;  // cancelled by the alarm, or by the coroutine's slot
    co_await woken.async_wait(asio::redirect_error(asio::use_awaitable, ignored));
  }
}

Awaitable<void> sleep_for(Clock& clock, Duration span) {
  const TimePoint now = clock.now();
  // now + Duration::max() would wrap round into the past.
  const bool endless = span > TimePoint::max() - now;
  const TimePoint when = endless ? TimePoint::max() : now + span;
  co_await sleep_until(clock, when);
}

RealClock::RealClock(asio::io_context& context) : context_(context) {}
TimePoint RealClock::now() const {
  return std::chrono::time_point_cast<Duration>(std::chrono::steady_clock::now());
}
WallTime RealClock::wall() const {
  return std::chrono::time_point_cast<Duration>(std::chrono::system_clock::now());
}
std::unique_ptr<Alarm> RealClock::arm(TimePoint when, std::function<void()> ring) {
  return std::make_unique<TimerAlarm>(context_, when, std::move(ring));
}

struct VirtualClock::Queue {
  TimePoint now{};
  std::uint64_t next = 0;
  std::map<std::pair<TimePoint, std::uint64_t>, std::function<void()>> pending;
};

VirtualClock::VirtualClock(asio::io_context& context, WallTime start)
    : context_(context), wall_start_(start), queue_(std::make_shared<Queue>()) {}
VirtualClock::~VirtualClock() = default;

TimePoint VirtualClock::now() const { return queue_->now; }
WallTime VirtualClock::wall() const { return wall_start_ + queue_->now.time_since_epoch(); }

std::unique_ptr<Alarm> VirtualClock::arm(TimePoint when, std::function<void()> ring) {
  class Entry final : public Alarm {
   public:
    Entry(std::shared_ptr<Queue> queue, TimePoint at, std::uint64_t order)
        : queue_(std::move(queue)), at_(at), order_(order) {}
    ~Entry() override { queue_->pending.erase({at_, order_}); }

   private:
    std::shared_ptr<Queue> queue_;
    TimePoint at_;
    std::uint64_t order_;
  };
  const TimePoint at = std::max(when, queue_->now);
  const std::uint64_t order = queue_->next++;
  queue_->pending.emplace(std::pair(at, order), std::move(ring));
  return std::make_unique<Entry>(queue_, at, order);
}

bool VirtualClock::run(const std::function<bool()>& done, TimePoint until) {
  context_.restart();
  for (;;) {
    while (context_.poll_one() != 0) {
      if (done && done()) return true;
    }
    context_.restart();
    if (done && done()) return true;
    const auto first = queue_->pending.begin();
    if (first == queue_->pending.end()) return false;
    if (first->first.first > until || first->first.first == TimePoint::max()) return false;
    queue_->now = first->first.first;
    const auto ring = std::move(first->second);
    queue_->pending.erase(first);
    ring();
  }
}

std::string iso8601(WallTime time) {
  const auto whole = std::chrono::floor<std::chrono::seconds>(time);
  const auto fraction = std::chrono::floor<std::chrono::milliseconds>(time - whole).count();
  const std::time_t stamp = std::chrono::system_clock::to_time_t(
      std::chrono::time_point_cast<std::chrono::system_clock::duration>(whole));
  std::tm parts{};
  gmtime_r(&stamp, &parts);
  char text[80];
  std::snprintf(text, sizeof text, "%04d-%02d-%02dT%02d:%02d:%02d.%03dZ", parts.tm_year + 1900,
                parts.tm_mon + 1, parts.tm_mday, parts.tm_hour, parts.tm_min, parts.tm_sec,
                static_cast<int>(fraction));
  return text;
}

double seconds(Duration span) { return std::chrono::duration<double>(span).count(); }

Duration from_seconds(double value) {
  constexpr double kMost = 9.2e9;  // just under 2^63 nanoseconds, 292 years
  if (!(value < kMost)) return Duration::max();
  if (value < -kMost) return Duration::min();
  return Duration(static_cast<Duration::rep>(std::llround(value * 1e9)));
}

}  // namespace nightbench
