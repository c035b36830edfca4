// Finding, opening and describing USBTMC interfaces with libusb. Everything here blocks; only the
// thread that owns the context may call it.
#pragma once

#include <libusb.h>

#include <cstdint>
#include <memory>
#include <string>
#include <vector>

#include "drivers/base/error.hpp"
#include "drivers/link/resource.hpp"
#include "drivers/link/usbtmc/libusb_plug.hpp"

namespace nightbench::link::usbtmc {

struct ContextDeleter {
  void operator()(libusb_context* context) const { libusb_exit(context); }
};
using Context = std::unique_ptr<libusb_context, ContextDeleter>;
// Looks at every bus. Errors: refused.
Result<Context> open_context();

struct Interface {
  int number = 0;
  int alternate = 0;
  std::uint8_t protocol = 0;
  std::uint8_t out = 0;
  std::uint8_t in = 0;
  std::uint8_t interrupt = 0;  // 0: none
  std::size_t in_packet = 0;
};

// A claimed interface; giving it back is the destructor's work.
class Claim {
 public:
  Claim(libusb_device_handle* handle, Interface interface)
      : handle_(handle), interface_(interface) {}
  ~Claim();
  Claim(const Claim&) = delete;
  Claim& operator=(const Claim&) = delete;
  libusb_device_handle* handle() const { return handle_; }
  const Interface& interface() const { return interface_; }

 private:
  libusb_device_handle* handle_;
  Interface interface_;
};

// Errors: refused (with clear words for missing permission), bad_input for ::RAW names.
Result<std::unique_ptr<Claim>> claim(libusb_context* context, const UsbResource& resource);
std::vector<UsbInstrument> list(libusb_context* context);

// The kind of a libusb error code: refused for a device that is not there or not ours.
Error usb_error(int code, std::string what);

}  // namespace nightbench::link::usbtmc
