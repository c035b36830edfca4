// A link that is recorded keeps the contract of the link inside.
#include <boost/asio/io_context.hpp>
#include <deque>

#include "../contract.hpp"
#include "drivers/link/recording/recorder.hpp"
#include "drivers/link/stream_link.hpp"
#include "tests/support/process.hpp"

namespace nightbench::test {
namespace {

class RecordedFixture {
 public:
  static constexpr Duration kLittle = std::chrono::seconds(3);

  RecordedFixture()
      : recorder_(*link::Recorder::create(folder_ / "recording.jsonl", {}, clock_)) {}

  VirtualClock& clock() { return clock_; }
  std::unique_ptr<link::Link> link() {
    return link::recorded(
        std::make_unique<link::StreamLink>(
            "memory", link::connector([this]() -> Result<std::unique_ptr<link::Stream>> {
              if (away_) return fail(ErrorKind::refused, "nobody is there");
              auto [here, there] = link::memory_streams(clock_);
              waiting_.push_back(std::move(there));
              return std::move(here);
            })),
        "scope", recorder_, clock_);
  }
  Awaitable<std::shared_ptr<link::Stream>> accept() {
    std::shared_ptr<link::Stream> next = waiting_.front();
    waiting_.pop_front();
    co_return next;
  }
  void go_away() { away_ = true; }

 private:
  nightbench::testing::ScratchFolder folder_;
  boost::asio::io_context context_;
  VirtualClock clock_{context_};
  std::shared_ptr<link::Recorder> recorder_;
  std::deque<std::shared_ptr<link::Stream>> waiting_;
  bool away_ = false;
};

INSTANTIATE_TYPED_TEST_SUITE_P(Recorded, LinkContract, RecordedFixture);

}  // namespace
}  // namespace nightbench::test
