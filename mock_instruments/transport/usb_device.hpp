// A simulated USB device as a host controller sees it: transfers that are submitted, end later, or
// are called off. What stands in front of it is either USB/IP (usbip_server.hpp) or a test.
#pragma once

#include <cstddef>
#include <cstdint>
#include <functional>
#include <string>

#include "drivers/link/usbtmc/message.hpp"

namespace nightbench::mock::transport {

// Ends of a transfer: 0 or a negative Linux errno, as USB/IP sends them.
namespace usb_end {
constexpr int done = 0;
constexpr int stalled = -32;      // EPIPE
constexpr int gone = -108;        // ESHUTDOWN
constexpr int called_off = -104;  // ECONNRESET
constexpr int short_read = -121;  // EREMOTEIO
}  // namespace usb_end

constexpr std::uint8_t usb_in = 0x80;  // direction bit of an endpoint address

struct UsbTransfer {
  std::uint8_t endpoint = 0;  // with usb_in for IN; 0 or usb_in for control
  link::usbtmc::Setup setup;  // control only
  std::string out;            // OUT only
  std::size_t room = 0;       // IN only: bytes that fit
};

struct UsbOutcome {
  int status = usb_end::done;
  std::string in;            // IN only, at most `room`; fewer end the transfer
  std::size_t accepted = 0;  // OUT only
};

class UsbDevice {
 public:
  using Done = std::function<void(UsbOutcome)>;
  virtual ~UsbDevice() = default;

  // Starts a transfer and gives it a number. `done` is called once when it ends, perhaps before
  // this returns, and never after cancel() said true. An IN transfer without data stays pending.
  virtual std::uint64_t submit(UsbTransfer transfer, Done done) = 0;
  // Whether the transfer was still pending; it never ends then.
  virtual bool cancel(std::uint64_t number) = 0;
  // As when the plug is pulled: everything ends with usb_end::gone, now and later.
  virtual void unplug() = 0;
  virtual bool is_plugged() const = 0;

  // The first 18 bytes that a host asks for, and the whole configuration.
  virtual const std::string& device_descriptor() const = 0;
  virtual const std::string& configuration_descriptor() const = 0;
};

}  // namespace nightbench::mock::transport
