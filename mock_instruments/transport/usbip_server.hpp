// A simulated USB device behind USB/IP: to Linux with vhci-hcd it looks like a real one.
//
// Two ways in: a program that speaks the whole protocol connects to the port (list, import, then
// transfers), or a connected stream whose other end was handed to vhci is attached directly. One
// host at a time. USB/IP knows neither passwords nor encryption: serve it on loopback.
#pragma once

#include <cstdint>
#include <memory>
#include <string>

#include "drivers/base/clock.hpp"
#include "drivers/base/error.hpp"
#include "drivers/link/stream.hpp"
#include "mock_instruments/transport/usb_descriptors.hpp"
#include "mock_instruments/transport/usb_device.hpp"
#include "mock_instruments/transport/usbip_message.hpp"

namespace nightbench::mock::transport {

struct UsbipServerOptions {
  std::string address = "127.0.0.1";
  std::uint16_t port = 0;  // 0: any free one
  std::string busid = "1-1";
};

class UsbipServer {
 public:
  // `keep` keeps `device` alive. Errors: refused when the port is taken.
  static Result<std::unique_ptr<UsbipServer>> start(std::shared_ptr<void> keep, UsbDevice& device,
                                                    const UsbIdentity& identity, Clock& clock,
                                                    UsbipServerOptions options = {});
  // Closes every connection, which is an unplugged device to the host.
  ~UsbipServer();
  UsbipServer(const UsbipServer&) = delete;
  UsbipServer& operator=(const UsbipServer&) = delete;

  std::uint16_t port() const;
  const usbip::DeviceRecord& record() const;
  // A stream on which the import is over. False, and the stream closed, when there is a host.
  bool attach(std::unique_ptr<link::Stream> stream);
  // Ends the connection of the host; goes on listening.
  void detach();
  bool is_attached() const;

 private:
  class Core;
  explicit UsbipServer(std::shared_ptr<Core> core);
  std::shared_ptr<Core> core_;
};

}  // namespace nightbench::mock::transport
