#include "daemon/service/event_hub.hpp"

#include <boost/asio/redirect_error.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <utility>

namespace nightbench::service {
namespace asio = boost::asio;

namespace {
constexpr std::size_t kOverhead = 64;  // of an event beside its texts
}

EventHub::EventHub(asio::io_context& io, std::size_t most_bytes)
    : changed_(io, asio::steady_timer::time_point::max()), most_bytes_(most_bytes) {}

void EventHub::publish(std::string type, std::string data) {
  bytes_ += data.size() + kOverhead;
  kept_.push_back({next_++, std::move(type), std::move(data)});
  while (bytes_ > most_bytes_ && kept_.size() > 1) {
    bytes_ -= kept_.front().data.size() + kOverhead;
    kept_.pop_front();
  }
  changed_.cancel();
}

EventHub::Batch EventHub::since(std::uint64_t after, std::size_t most_bytes) const {
  Batch batch;
  if (kept_.empty() || after >= last()) return batch;
  const std::uint64_t first = kept_.front().id;
  batch.gap = after + 1 < first;
  std::size_t bytes = 0;
  for (std::size_t n = batch.gap ? 0 : static_cast<std::size_t>(after + 1 - first);
       n < kept_.size() && bytes < most_bytes; ++n) {
    batch.events.push_back(&kept_[n]);
    bytes += kept_[n].data.size() + kOverhead;
  }
  return batch;
}

Awaitable<void> EventHub::wait(std::uint64_t after) {
  if (closed_ || last() > after) co_return;
  boost::system::error_code woken;
  co_await changed_.async_wait(asio::redirect_error(asio::use_awaitable, woken));
}

void EventHub::poke() {
  changed_.cancel();
}

void EventHub::close() {
  closed_ = true;
  changed_.cancel();
}

}  // namespace nightbench::service
