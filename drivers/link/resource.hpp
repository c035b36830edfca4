// VISA resource names (VPP-4.3, 4.3.1; grammar confirmed through LXI Device Specification 6.2):
// parsed, and written back in one normal form so that two spellings of one name compare equal.
//
//   TCPIP[board]::host[::device][::INSTR]            VXI-11; device "inst0" when left out
//   TCPIP[board]::[credential@]host::hislipN[,port][::INSTR]   HiSLIP; port 4880 when left out
//   TCPIP[board]::host::port::SOCKET                 raw socket; the suffix is not optional
//   USB[board]::vid::pid::serial[::interface][::INSTR | ::RAW]
//   ASRL[board][::INSTR]   ASRL/dev/ttyUSB0[::INSTR]  serial port by number (1 when left out) or
//   path GPIB[board]::primary[::secondary][::INSTR]
//
// Letter case of keywords does not matter; host names are kept as written. IPv6 hosts stand in
// brackets: TCPIP::[fe80::1]::5025::SOCKET. A serial number is kept exactly, "::" included.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <variant>

#include "drivers/base/error.hpp"

namespace nightbench::link {

struct SocketResource {
  int board = 0;
  std::string host;  // without brackets
  std::uint16_t port = 0;
  bool operator==(const SocketResource&) const = default;
};
struct Vxi11Resource {
  int board = 0;
  std::string host;
  std::string device = "inst0";       // "gpib0,18" for a gateway
  std::optional<std::uint16_t> port;  // "host,port": by-passes the portmapper
  bool operator==(const Vxi11Resource&) const = default;
};
struct HislipResource {
  int board = 0;
  std::string credential;  // "" without secure connection
  std::string host;
  std::string device = "hislip0";
  std::uint16_t port = 4880;
  bool operator==(const HislipResource&) const = default;
};
struct UsbResource {
  int board = 0;
  std::uint16_t vendor = 0;
  std::uint16_t product = 0;
  std::string serial;
  std::optional<int> interface;  // the lowest-numbered USBTMC one when left out
  bool raw = false;
  bool operator==(const UsbResource&) const = default;
};
struct SerialResource {
  int board = 1;
  std::string path;  // "/dev/ttyUSB0", or "" when `board` says which port
  bool operator==(const SerialResource&) const = default;
};
struct GpibResource {
  int board = 0;
  int primary = 0;               // 0 to 30
  std::optional<int> secondary;  // 0 to 30
  bool operator==(const GpibResource&) const = default;
};

using Resource = std::variant<SocketResource, Vxi11Resource, HislipResource, UsbResource,
                              SerialResource, GpibResource>;

// Errors: bad_input that says what was expected where, and what was found.
Result<Resource> parse_resource(std::string_view text);

// Board and suffix explicit, class in capitals, vendor and product as 0x%04X.
std::string normalised(const Resource& resource);

}  // namespace nightbench::link
