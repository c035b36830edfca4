#include "daemon/service/event_hub.hpp"

#include <gtest/gtest.h>

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/io_context.hpp>

namespace nightbench::service {
namespace {

std::vector<std::uint64_t> ids(const EventHub::Batch& batch) {
  std::vector<std::uint64_t> out;
  for (const Event* event : batch.events) out.push_back(event->id);
  return out;
}

TEST(EventHub, GivesWhatIsLater) {
  boost::asio::io_context io;
  EventHub hub(io);
  EXPECT_EQ(hub.last(), 0U);
  EXPECT_TRUE(hub.since(0).events.empty());
  for (int n = 0; n < 3; ++n) hub.publish("point", "{}");
  EXPECT_EQ(ids(hub.since(0)), (std::vector<std::uint64_t>{1, 2, 3}));
  EXPECT_EQ(ids(hub.since(2)), (std::vector<std::uint64_t>{3}));
  EXPECT_TRUE(hub.since(3).events.empty());
  EXPECT_TRUE(hub.since(99).events.empty());
  EXPECT_FALSE(hub.since(0).gap);
}

TEST(EventHub, KeepsNoMoreThanItMayAndSaysSo) {
  boost::asio::io_context io;
  EventHub hub(io, 10'000);
  for (int n = 0; n < 1000; ++n) hub.publish("point", std::string(936, 'x'));
  const auto batch = hub.since(5);
  EXPECT_TRUE(batch.gap);
  EXPECT_EQ(batch.events.size(), 10U);
  EXPECT_EQ(batch.events.back()->id, 1000U);
  EXPECT_FALSE(hub.since(995).gap);
  hub.publish("point",
              std::string(50'000, 'x'));  // one that is larger than all is kept all the same
  EXPECT_EQ(ids(hub.since(1000)), (std::vector<std::uint64_t>{1001}));
}

TEST(EventHub, ABatchIsBounded) {
  boost::asio::io_context io;
  EventHub hub(io);
  for (int n = 0; n < 100; ++n) hub.publish("point", std::string(936, 'x'));
  EXPECT_EQ(hub.since(0, 5000).events.size(), 5U);
}

Awaitable<void> watcher(EventHub& hub, int* woken) {
  for (std::uint64_t seen = 0; !hub.closed(); seen = hub.last()) {
    co_await hub.wait(seen);
    ++*woken;
  }
}

TEST(EventHub, WakesEveryWatcher) {
  boost::asio::io_context io;
  EventHub hub(io);
  int first = 0;
  int second = 0;
  boost::asio::co_spawn(io, watcher(hub, &first), boost::asio::detached);
  boost::asio::co_spawn(io, watcher(hub, &second), boost::asio::detached);
  io.poll();
  EXPECT_EQ(first, 0);
  hub.publish("point", "{}");
  io.poll();
  EXPECT_EQ(first, 1);
  EXPECT_EQ(second, 1);
  hub.poke();
  io.poll();
  EXPECT_EQ(second, 2);
  hub.close();
  io.restart();
  io.run();  // ends: nobody waits any more
  EXPECT_EQ(first, 3);
}

}  // namespace
}  // namespace nightbench::service
