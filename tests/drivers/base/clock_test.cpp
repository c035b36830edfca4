#include "drivers/base/clock.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <boost/asio/bind_cancellation_slot.hpp>
#include <boost/asio/cancellation_signal.hpp>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/post.hpp>
#include <cmath>
#include <functional>
#include <limits>
#include <string>
#include <type_traits>
#include <vector>

namespace nightbench {
namespace {

namespace asio = boost::asio;
using namespace std::chrono_literals;

// What both clocks promise. Waits are a few milliseconds, so that the real clock's share is quick;
// a clock that never rings is caught by the time-out of the suite.
template <typename ClockType>
class AnyClock : public testing::Test {
 protected:
  template <typename Done>
  void run_until(Done done) {
    if constexpr (std::is_same_v<ClockType, VirtualClock>) {
      ASSERT_TRUE(clock_.run(done)) << "nothing is left to do";
    } else {
      context_.restart();
      while (!done()) ASSERT_NE(context_.run_one(), 0U) << "nothing is left to do";
    }
  }
  TimePoint in(Duration span) const { return clock_.now() + span; }
  void spawn(Awaitable<void> work) { asio::co_spawn(context_, std::move(work), asio::detached); }

  asio::io_context context_;
  ClockType clock_{context_};
};
using Clocks = testing::Types<RealClock, VirtualClock>;
TYPED_TEST_SUITE(AnyClock, Clocks);

TYPED_TEST(AnyClock, RingsOnceAndNotBeforeItsTime) {
  const TimePoint when = this->in(2ms);
  int rings = 0;
  bool later = false;
  TimePoint rang;
  const auto alarm = this->clock_.arm(when, [&] {
    ++rings;
    rang = this->clock_.now();
  });
  const auto fence = this->clock_.arm(this->in(6ms), [&] { later = true; });
  this->run_until([&] { return later; });
  EXPECT_EQ(rings, 1);
  EXPECT_GE(rang, when);
}

TYPED_TEST(AnyClock, RingsInOrderOfTimeWhateverTheOrderOfArming) {
  std::string order;
  const TimePoint start = this->clock_.now();
  const auto c = this->clock_.arm(start + 6ms, [&] { order += 'c'; });
  const auto a = this->clock_.arm(start + 2ms, [&] { order += 'a'; });
  const auto b = this->clock_.arm(start + 4ms, [&] { order += 'b'; });
  this->run_until([&] { return order.size() == 3; });
  EXPECT_EQ(order, "abc");
}

TYPED_TEST(AnyClock, AnAlarmInThePastRingsAtOnceButNeverInsideArm) {
  bool rang = false;
  const auto alarm = this->clock_.arm(this->clock_.now() - 1s, [&] { rang = true; });
  EXPECT_FALSE(rang);
  this->run_until([&] { return rang; });
  EXPECT_TRUE(rang);
}

TYPED_TEST(AnyClock, ADestroyedAlarmDoesNotRing) {
  bool rang = false;
  bool later = false;
  auto alarm = this->clock_.arm(this->in(1ms), [&] { rang = true; });
  const auto fence = this->clock_.arm(this->in(3ms), [&] { later = true; });
  alarm.reset();
  this->run_until([&] { return later; });
  EXPECT_FALSE(rang);
}

TYPED_TEST(AnyClock, AnAlarmThatIsDueAlreadyCanStillBeDestroyed) {
  int rings = 0;
  bool later = false;
  std::unique_ptr<Alarm> first;
  std::unique_ptr<Alarm> second;
  const TimePoint past = this->clock_.now() - 1ms;
  first = this->clock_.arm(past, [&] {
    ++rings;
    second.reset();
  });
  second = this->clock_.arm(past, [&] {
    ++rings;
    first.reset();
  });
  const auto fence = this->clock_.arm(this->in(3ms), [&] { later = true; });
  this->run_until([&] { return later; });
  EXPECT_EQ(rings, 1) << "whichever came first has cancelled the other";
}

TYPED_TEST(AnyClock, ARingMayDestroyItsOwnAlarmAndArmTheNext) {
  int rings = 0;
  std::unique_ptr<Alarm> alarm;
  std::function<void()> ring = [&] {
    ++rings;
    alarm.reset();
    if (rings < 3) alarm = this->clock_.arm(this->in(1ms), ring);
  };
  alarm = this->clock_.arm(this->in(1ms), ring);
  this->run_until([&] { return rings == 3; });
  EXPECT_EQ(rings, 3);
}

TYPED_TEST(AnyClock, AnAlarmAtTheEndOfTimeNeverRings) {
  bool rang = false;
  bool later = false;
  const auto never = this->clock_.arm(TimePoint::max(), [&] { rang = true; });
  const auto fence = this->clock_.arm(this->in(2ms), [&] { later = true; });
  this->run_until([&] { return later; });
  if constexpr (std::is_same_v<TypeParam, VirtualClock>) {
    EXPECT_FALSE(this->clock_.run({})) << "it must not jump there when nothing else is left";
    EXPECT_LT(this->clock_.now(), TimePoint::max());
  }
  EXPECT_FALSE(rang);
}

TYPED_TEST(AnyClock, TimeNeverStepsBack) {
  std::vector<TimePoint> seen{this->clock_.now()};
  std::vector<std::unique_ptr<Alarm>> alarms;
  for (int i = 0; i < 20; ++i) {
    alarms.push_back(
        this->clock_.arm(this->in(i % 5 * 500us), [&] { seen.push_back(this->clock_.now()); }));
  }
  this->run_until([&] { return seen.size() == 21; });
  EXPECT_TRUE(std::is_sorted(seen.begin(), seen.end()));
}

Awaitable<void> sleeper(Clock& clock, TimePoint when, TimePoint& woke, bool& done) {
  co_await sleep_until(clock, when);
  woke = clock.now();
  done = true;
}

TYPED_TEST(AnyClock, SleepUntilEndsNotBeforeItsTime) {
  const TimePoint when = this->in(3ms);
  TimePoint woke;
  bool done = false;
  this->spawn(sleeper(this->clock_, when, woke, done));
  this->run_until([&] { return done; });
  EXPECT_GE(woke, when);
}

TYPED_TEST(AnyClock, SleepUntilAPastInstantEnds) {
  TimePoint woke;
  bool done = false;
  this->spawn(sleeper(this->clock_, this->clock_.now() - 1h, woke, done));
  this->run_until([&] { return done; });
  EXPECT_TRUE(done);
}

Awaitable<void> napper(Clock& clock, Duration span, char name, std::string& order) {
  for (int i = 0; i < 2; ++i) {
    const TimePoint due = clock.now() + span;
    co_await sleep_until(clock, due);
    EXPECT_GE(clock.now(), due);
    order += name;
  }
}

TYPED_TEST(AnyClock, SleepersWakeEachAtTheirOwnTime) {
  std::string order;
  this->spawn(napper(this->clock_, 10ms, 'b', order));
  this->spawn(napper(this->clock_, 4ms, 'a', order));
  this->run_until([&] { return order.size() == 4; });
  // On a busy machine a real sleeper may oversleep the other's time; virtual ones never do.
  if (std::is_same_v<TypeParam, VirtualClock>) {
    EXPECT_EQ(order, "aabb");
  }
  EXPECT_EQ(std::count(order.begin(), order.end(), 'a'), 2);
}

Awaitable<void> cancellable(Clock& clock, Duration span, std::string& told) {
  try {
    co_await sleep_for(clock, span);
    told = "quiet";
  } catch (...) {
    told = "thrown";
  }
}

TYPED_TEST(AnyClock, ACancelledSleepEndsEarlyAndQuietly) {
  for (const Duration span : {Duration(1h), Duration::max()}) {
    const TimePoint start = this->clock_.now();
    std::string told;
    bool cancelled = false;
    asio::cancellation_signal stop;
    asio::co_spawn(this->context_, cancellable(this->clock_, span, told),
                   asio::bind_cancellation_slot(stop.slot(), asio::detached));
    const auto trigger = this->clock_.arm(this->in(1ms), [&] {
      cancelled = true;
      stop.emit(asio::cancellation_type::terminal);
    });
    this->run_until([&] { return !told.empty(); });
    EXPECT_TRUE(cancelled) << "it ended before it was cancelled";
    EXPECT_EQ(told, "quiet");
    EXPECT_LT(this->clock_.now(), start + 1h);
  }
}

TEST(VirtualClock, AnHourOfSecondsPassesWithoutWaiting) {
  asio::io_context context;
  VirtualClock clock(context);
  int ticks = 0;
  const auto hour = [](Clock& on, int& count) -> Awaitable<void> {
    for (; count < 3600; ++count) co_await sleep_for(on, 1s);
  };
  asio::co_spawn(context, hour(clock, ticks), asio::detached);
  EXPECT_TRUE(clock.run([&] { return ticks == 3600; }));
  EXPECT_EQ(clock.now().time_since_epoch(), 1h);
}

TEST(VirtualClock, AlarmsAtTheSameInstantRingInTheOrderOfArming) {
  asio::io_context context;
  VirtualClock clock(context);
  std::vector<int> order;
  std::vector<std::unique_ptr<Alarm>> alarms;
  const TimePoint when = clock.now() + 1s;
  for (int i = 0; i < 100; ++i)
    alarms.push_back(clock.arm(when, [&order, i] { order.push_back(i); }));
  alarms.erase(alarms.begin() + 50);
  EXPECT_FALSE(clock.run({}));
  ASSERT_EQ(order.size(), 99U);
  EXPECT_TRUE(std::is_sorted(order.begin(), order.end()));
  EXPECT_EQ(clock.now(), when);
}

TEST(VirtualClock, ReadyHandlersRunBeforeTimeMoves) {
  asio::io_context context;
  VirtualClock clock(context);
  std::string order;
  const auto alarm = clock.arm(clock.now(), [&] { order += 'a'; });
  asio::post(context, [&] {
    order += '1';
    asio::post(context, [&] { order += '2'; });
  });
  EXPECT_FALSE(clock.run({}));
  EXPECT_EQ(order, "12a");
}

TEST(VirtualClock, RunsOnlyUntilTheInstantGiven) {
  asio::io_context context;
  VirtualClock clock(context);
  std::string order;
  const TimePoint start = clock.now();
  const auto a = clock.arm(start + 1s, [&] { order += 'a'; });
  const auto b = clock.arm(start + 2s, [&] { order += 'b'; });
  const auto c = clock.arm(start + 2s + 1ns, [&] { order += 'c'; });
  EXPECT_FALSE(clock.run({}, start + 2s));
  EXPECT_EQ(order, "ab");
  EXPECT_EQ(clock.now(), start + 2s);
  EXPECT_FALSE(clock.run({}));
  EXPECT_EQ(order, "abc");
}

TEST(VirtualClock, StopsAsSoonAsItIsDone) {
  asio::io_context context;
  VirtualClock clock(context);
  int rings = 0;
  const auto a = clock.arm(clock.now() + 1s, [&] { ++rings; });
  const auto b = clock.arm(clock.now() + 1s, [&] { ++rings; });
  EXPECT_TRUE(clock.run([&] { return rings == 1; }));
  EXPECT_EQ(rings, 1);
  EXPECT_TRUE(clock.run([&] { return rings == 2; }));
}

TEST(VirtualClock, CalendarTimeFollowsAndMayJumpWhileMonotonicTimeDoesNot) {
  asio::io_context context;
  VirtualClock clock(context, WallTime(1'000'000s));
  const auto alarm = clock.arm(clock.now() + 90s, [] {});
  EXPECT_FALSE(clock.run({}));
  EXPECT_EQ(clock.wall(), WallTime(1'000'090s));
  const TimePoint before = clock.now();
  clock.shift_wall(-1h);
  EXPECT_EQ(clock.wall(), WallTime(1'000'090s - 3600s));
  EXPECT_EQ(clock.now(), before);
}

TEST(VirtualClock, MayBeGoneBeforeItsAlarms) {
  asio::io_context context;
  std::unique_ptr<Alarm> alarm;
  {
    VirtualClock clock(context);
    alarm = clock.arm(clock.now() + 1s, [] {});
  }
  alarm.reset();
  SUCCEED() << "the sanitizers would tell";
}

TEST(Time, IsWrittenAsIso8601) {
  EXPECT_EQ(iso8601(WallTime(0s)), "1970-01-01T00:00:00.000Z");
  EXPECT_EQ(iso8601(WallTime(1'795'575'845s + 123'999'999ns)), "2026-11-25T03:04:05.123Z");
  EXPECT_EQ(iso8601(WallTime(-1ns)), "1969-12-31T23:59:59.999Z");
  EXPECT_EQ(iso8601(WallTime(951'782'400s)), "2000-02-29T00:00:00.000Z");
}

TEST(Time, SecondsConvertBothWays) {
  EXPECT_EQ(seconds(1500ms), 1.5);
  EXPECT_EQ(from_seconds(1.5), 1500ms);
  EXPECT_EQ(from_seconds(-0.25), -250ms);
  EXPECT_EQ(from_seconds(0.1), 100ms);
  EXPECT_EQ(from_seconds(4e-10), 0ns);
  EXPECT_EQ(from_seconds(6e-10), 1ns);
}

TEST(Time, SecondsSaturateInsteadOfOverflowing) {
  EXPECT_EQ(from_seconds(1e300), Duration::max());
  EXPECT_EQ(from_seconds(-1e300), Duration::min());
  EXPECT_EQ(from_seconds(std::numeric_limits<double>::infinity()), Duration::max());
  EXPECT_EQ(from_seconds(std::nan("")), Duration::max());
  EXPECT_GT(from_seconds(9.1e9), Duration(0));
}

}  // namespace
}  // namespace nightbench
