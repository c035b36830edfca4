// Instruments that answer a broadcast question for the port of their VXI-11 core channel (LXI
// VXI-11 extended function, 10.1.5; RFC 1833, clause 3). Broadcast does not cross routers.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "drivers/base/clock.hpp"
#include "drivers/base/error.hpp"

namespace nightbench::discovery {

struct BroadcastOptions {
  // Where to send, from every interface: empty for each interface's own broadcast address.
  std::vector<std::string> targets;
  std::uint16_t port = 111;
  // IPv4 addresses of our own interfaces to ask on; empty: all that are up.
  std::vector<std::string> interfaces;
  Duration listen = std::chrono::milliseconds(1500);
};

struct Vxi11Host {
  std::string address;
  std::uint16_t port = 0;  // of the core channel now; it changes with every start of the device
  bool operator==(const Vxi11Host&) const = default;
};

// Every host once, in order of arrival. Errors: refused when no socket can be had.
Awaitable<Result<std::vector<Vxi11Host>>> find_vxi11(BroadcastOptions options, Clock& clock);

// The port in an answer to our question `xid`; 0 when the packet is none, or names no port.
std::uint16_t port_in_answer(std::string_view packet, std::uint32_t xid);

}  // namespace nightbench::discovery
