// Links over in-memory streams, on virtual time.
#include <boost/asio/io_context.hpp>
#include <deque>

#include "contract.hpp"
#include "drivers/link/stream_link.hpp"

namespace nightbench::test {
namespace {

class MemoryFixture {
 public:
  static constexpr Duration kLittle = std::chrono::seconds(3);

  VirtualClock& clock() { return clock_; }
  std::unique_ptr<link::Link> link() {
    return std::make_unique<link::StreamLink>(
        "memory", link::connector([this]() -> Result<std::unique_ptr<link::Stream>> {
          if (away_) return fail(ErrorKind::refused, "nobody is there");
          auto [here, there] = link::memory_streams(clock_);
          waiting_.push_back(std::move(there));
          return std::move(here);
        }));
  }
  Awaitable<std::shared_ptr<link::Stream>> accept() {
    std::shared_ptr<link::Stream> next = waiting_.front();
    waiting_.pop_front();
    co_return next;
  }
  void go_away() { away_ = true; }

 private:
  boost::asio::io_context context_;
  VirtualClock clock_{context_};
  std::deque<std::shared_ptr<link::Stream>> waiting_;
  bool away_ = false;
};

INSTANTIATE_TYPED_TEST_SUITE_P(Memory, LinkContract, MemoryFixture);

// A connector that cannot be interrupted.
class SlowConnector final : public link::Connector {
 public:
  explicit SlowConnector(Clock& clock) : clock_(clock) {}
  Awaitable<Result<std::unique_ptr<link::Stream>>> connect(TimePoint) override {
    co_await sleep_for(clock_, std::chrono::seconds(2));
    auto [here, there] = link::memory_streams(clock_);
    other_ = std::move(there);
    co_return std::move(here);
  }

 private:
  Clock& clock_;
  std::unique_ptr<link::Stream> other_;
};

TEST(StreamLink, CloseWhileConnectingLeavesItClosed) {
  boost::asio::io_context context;
  VirtualClock clock(context);
  link::StreamLink link("slow", std::make_unique<SlowConnector>(clock));
  const auto alarm = clock.arm(clock.now() + std::chrono::seconds(1), [&] { link.close(); });
  const auto connected = run(clock, link.connect(clock.now() + kPlenty));
  ASSERT_FALSE(connected);
  EXPECT_EQ(connected.error().kind, ErrorKind::cancelled);
  EXPECT_FALSE(link.is_open());
  EXPECT_TRUE(run(clock, link.connect(clock.now() + kPlenty)));
  EXPECT_TRUE(link.is_open());
}

TEST(MemoryStreams, AWriterWaitsForRoomAndGoesOnWhenThereIsSome) {
  boost::asio::io_context context;
  VirtualClock clock(context);
  auto [here, there] = link::memory_streams(clock, 4);
  const TimePoint deadline = clock.now() + kPlenty;
  const auto sent = start(context, here->write_all("0123456789", deadline));
  clock.run([] { return false; }, clock.now());
  EXPECT_FALSE(sent->done) << "only four bytes fit";
  const auto bytes = run(clock, read_exactly(*there, 10, deadline));
  ASSERT_TRUE(bytes);
  EXPECT_EQ(*bytes, "0123456789");
  clock.run([&] { return sent->done; });
  EXPECT_TRUE(sent->done && sent->value->has_value());
}

TEST(MemoryStreams, MakingOneEndGoAwayEndsTheOthersPendingRead) {
  boost::asio::io_context context;
  VirtualClock clock(context);
  auto [here, there] = link::memory_streams(clock);
  const auto pending = start(context, here->read_some(1, clock.now() + kPlenty));
  clock.run([] { return false; }, clock.now());
  there.reset();
  clock.run([&] { return pending->done; });
  ASSERT_TRUE(pending->done);
  EXPECT_EQ(pending->value->error().kind, ErrorKind::refused);
  EXPECT_EQ(clock.now(), TimePoint{}) << "no time has passed";
}

}  // namespace
}  // namespace nightbench::test
