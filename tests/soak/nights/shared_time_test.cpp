#include "tests/soak/nights/shared_time.hpp"

#include <gtest/gtest.h>

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>

namespace nightbench::testing {
namespace {

using std::chrono::seconds;

Awaitable<void> count(Clock& clock, int* ticks) {
  for (;;) {
    co_await sleep_for(clock, seconds(1));
    ++*ticks;
  }
}

TEST(SharedTime, LoopsShareItAndOneThatIsFrozenStandsStill) {
  SharedTime time;
  Loop first(time);
  Loop second(time);
  int a = 0;
  int b = 0;
  boost::asio::co_spawn(first.context(), count(first, &a), boost::asio::detached);
  boost::asio::co_spawn(second.context(), count(second, &b), boost::asio::detached);
  EXPECT_FALSE(time.run({}, TimePoint(seconds(5))));
  EXPECT_EQ(time.now(), TimePoint(seconds(5)));
  EXPECT_EQ(a, 5);
  EXPECT_EQ(b, 5);
  first.freeze();
  EXPECT_TRUE(time.run([&b] { return b == 7; }, TimePoint(seconds(100))));
  EXPECT_EQ(a, 5);
  EXPECT_EQ(time.now(), TimePoint(seconds(7)));
  first.drop();
}

TEST(SharedTime, WithNothingToWaitForItSaysSo) {
  SharedTime time;
  const Loop loop(time);
  EXPECT_FALSE(time.run([] { return false; }, TimePoint::max()));
}

}  // namespace
}  // namespace nightbench::testing
