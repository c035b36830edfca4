// What the fixtures of network transports share: real time, a listener whose connections become
// peers in the background, and accept() that hands them out.
#pragma once

#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <deque>
#include <memory>

#include "drivers/link/stream.hpp"
#include "drivers/link/wake.hpp"
#include "mock_instruments/transport/listener.hpp"

namespace nightbench::test {

class PeerFixture {
 public:
  static constexpr Duration kLittle = std::chrono::milliseconds(20);
  virtual ~PeerFixture() = default;

  RealClock& clock() { return clock_; }
  Awaitable<std::shared_ptr<link::Stream>> accept() {
    while (peers_.empty()) co_await arrived_.wait(TimePoint::max());
    std::shared_ptr<link::Stream> next = std::move(peers_.front());
    peers_.pop_front();
    co_return next;
  }
  void go_away() { listener_.reset(); }

 protected:
  std::uint16_t port() const { return listener_->port(); }
  // To be called when a connection is complete.
  void arrived(std::shared_ptr<link::Stream> peer) {
    peers_.push_back(std::move(peer));
    arrived_.ring();
  }
  void listen(mock::transport::Listener::Taker take) {
    listener_ = *mock::transport::Listener::open(clock_, "127.0.0.1", 0, std::move(take));
  }

 private:
  boost::asio::io_context context_;
  RealClock clock_{context_};
  link::Wake arrived_{clock_};
  std::deque<std::shared_ptr<link::Stream>> peers_;
  std::unique_ptr<mock::transport::Listener> listener_;
};

}  // namespace nightbench::test
