// Descriptors of a simulated USBTMC device (USB 2.0 chapter 9, USBTMC 1.0 chapter 5), and the
// standard requests that ask for them.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

#include "drivers/link/usbtmc/message.hpp"

namespace nightbench::mock::transport {

enum class UsbSpeed : std::uint8_t { full = 2, high = 3 };  // the numbers of USB/IP

struct UsbIdentity {
  std::uint16_t vendor = 0x1209;   // pid.codes: ids for open hardware
  std::uint16_t product = 0x0001;  // its first number is for tests
  std::string maker = "Heronworks";
  std::string model = "E1";
  std::string serial = "0042";
  UsbSpeed speed = UsbSpeed::high;
  bool usb488 = true;          // interface protocol 1, else 0
  bool interrupt_pipe = true;  // for service requests and the status byte
};

constexpr std::uint8_t usbtmc_out = 0x01;
constexpr std::uint8_t usbtmc_in = 0x82;
constexpr std::uint8_t usbtmc_interrupt = 0x83;

// wMaxPacketSize of the bulk pipes.
std::size_t bulk_packet(UsbSpeed speed);
std::string device_descriptor(const UsbIdentity& identity);         // 18 bytes
std::string configuration_descriptor(const UsbIdentity& identity);  // with interface and endpoints
// Index 0 is the list of languages; nothing for an index without a string.
std::optional<std::string> string_descriptor(const UsbIdentity& identity, std::uint8_t index);
// The reply to GET_DESCRIPTOR, cut to what was asked for; nothing when the device must stall.
std::optional<std::string> answer_descriptor(const UsbIdentity& identity,
                                             const link::usbtmc::Setup& setup);

}  // namespace nightbench::mock::transport
