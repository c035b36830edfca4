// Sends one packet from several sockets and collects what comes back until a moment. The common
// part of both kinds of discovery.
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/base/clock.hpp"
#include "drivers/base/error.hpp"

namespace nightbench::discovery {

// An IPv4 UDP socket on one of our addresses, allowed to broadcast and multicast from there.
class UdpSocket {
 public:
  struct Open;
  static Result<UdpSocket> open(Clock& clock, const std::string& address);
  const std::shared_ptr<Open>& state() const { return open_; }

 private:
  explicit UdpSocket(std::shared_ptr<Open> open) : open_(std::move(open)) {}
  std::shared_ptr<Open> open_;
};

using TakePacket = std::function<void(std::string_view packet, const std::string& sender)>;

// A socket that cannot send there (no route, no multicast) is silent. At most 4096 packets are
// taken; `take` is called on the clock's thread.
Awaitable<void> ask_and_listen(std::vector<UdpSocket> sockets, std::string packet,
                               std::string address, std::uint16_t port, TakePacket take,
                               TimePoint until, Clock& clock);

}  // namespace nightbench::discovery
