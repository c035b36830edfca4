// The asynchronous channel of a HiSLIP client: read all the time by a coroutine of its own, so that
// service requests, interruptions and fatal errors are seen when they come, and requests with their
// responses in between.
#pragma once

#include <cstdint>
#include <memory>
#include <optional>
#include <string>

#include "drivers/link/hislip/channel.hpp"
#include "drivers/link/wake.hpp"

namespace nightbench::link::hislip {

class AsyncChannel : public std::enable_shared_from_this<AsyncChannel> {
 public:
  AsyncChannel(std::unique_ptr<Stream> stream, Clock& clock);

  // Starts the reader. `ended` is called once when the connection is lost or a fatal error came,
  // with the reason; not after close().
  void start(std::function<void(const Error&)> ended);
  // Sends a request and waits for its response. A response to a request that was given up earlier
  // is thrown away. Device errors (Error messages) come back as refused.
  Awaitable<Result<Message>> request(Header header, std::string payload, Type response,
                                     TimePoint deadline);
  void close();
  bool is_open() const { return channel_.is_open(); }

  // AsyncInterrupted messages since the session began, or since the last device clear.
  int interruptions() const { return interruptions_; }
  void forget_interruptions() { interruptions_ = 0; }
  // Rings at every message.
  Wake& news() { return news_; }
  // The status byte of the last service request, taken away.
  std::optional<std::uint8_t> take_service_request();

 private:
  static Awaitable<void> read_all(std::shared_ptr<AsyncChannel> self);
  void take(Message message);

  Channel channel_;
  Wake news_;
  std::function<void(const Error&)> ended_;
  std::optional<Type> expected_;
  std::optional<Result<Message>> response_;
  int owed_[256] = {};  // responses to given-up requests, by type
  int interruptions_ = 0;
  std::optional<std::uint8_t> service_request_;
  bool closed_ = false;
};

}  // namespace nightbench::link::hislip
