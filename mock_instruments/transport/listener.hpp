// Accepts TCP connections on one port and hands each over as a Stream.
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <string>

#include "drivers/base/clock.hpp"
#include "drivers/base/error.hpp"
#include "drivers/link/stream.hpp"

namespace nightbench::mock::transport {

class Listener {
 public:
  using Taker = std::function<void(std::unique_ptr<link::Stream>)>;

  // Listens on `address` ("127.0.0.1", "::"), `port` 0 for any free one. `take` is called on the
  // clock's io_context thread, until the listener is destroyed. refused when the port is taken.
  static Result<std::unique_ptr<Listener>> open(Clock& clock, const std::string& address,
                                                std::uint16_t port, Taker take);
  ~Listener();
  Listener(const Listener&) = delete;
  Listener& operator=(const Listener&) = delete;
  std::uint16_t port() const { return port_; }

 private:
  struct State;
  Listener(std::shared_ptr<State> state, std::uint16_t port);
  static Awaitable<void> accept_all(std::shared_ptr<State> state);
  std::shared_ptr<State> state_;
  std::uint16_t port_;
};

}  // namespace nightbench::mock::transport
