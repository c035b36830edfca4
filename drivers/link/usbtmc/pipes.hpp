// The seam under the USBTMC protocol: the pipes of one claimed interface, and where they come from.
// libusb implements it (libusb_plug.hpp), and so does a simulated device in this process, for
// tests.
//
// One bulk-OUT, one bulk-IN, one interrupt-IN transfer and one control request may be pending at a
// time, from the clock's io_context thread.
#pragma once

#include <cstddef>
#include <cstdint>
#include <memory>
#include <string>
#include <string_view>

#include "drivers/base/clock.hpp"
#include "drivers/base/error.hpp"
#include "drivers/link/resource.hpp"
#include "drivers/link/usbtmc/message.hpp"

namespace nightbench::link::usbtmc {

// How one USB transfer ended.
struct Transfer {
  enum class End : std::uint8_t {
    done,       // OUT: all bytes taken; IN: a short packet, or as many bytes as there was room for
    timed_out,  // the deadline came first
    stalled,    // the endpoint is halted, or the request is not known
    gone,       // unplugged, or the host controller gave up on it
    cancelled,  // by close() or cancel_in()
    failed,     // anything else; `number` says what
  };
  End end = End::failed;
  std::string bytes;  // of an IN transfer
  int number = 0;     // the implementation's own error number
};

class Pipes {
 public:
  virtual ~Pipes() = default;
  // A transfer that the deadline cuts short is called off; how much the device took is not known.
  // `bytes` need not outlive the call.
  virtual Awaitable<Transfer> bulk_out(std::string bytes, TimePoint deadline) = 0;
  // One transfer with room for `room` bytes, a multiple of in_packet(). When the deadline comes
  // first it stays pending, and the next bulk_in() goes on waiting for it (with its old `room`).
  virtual Awaitable<Transfer> bulk_in(std::size_t room, TimePoint deadline) = 0;
  // Calls off a pending bulk-IN transfer and waits until it has ended; harmless when there is none.
  virtual Awaitable<void> cancel_in(TimePoint deadline) = 0;
  // One packet. Only when there is such a pipe. A deadline that comes first calls it off.
  virtual Awaitable<Transfer> interrupt_in(TimePoint deadline) = 0;
  // A class request with a reply of at most `setup.length` bytes.
  virtual Awaitable<Transfer> control_in(Setup setup, TimePoint deadline) = 0;
  // CLEAR_FEATURE(ENDPOINT_HALT), and the host's own state of the pipe.
  virtual Awaitable<Transfer> clear_halt(std::uint8_t endpoint, TimePoint deadline) = 0;
  // Ends everything that is pending (cancelled) and gives the interface back. Never fails.
  virtual void close() = 0;

  // From the descriptors. Endpoint addresses hold the direction in bit 7.
  virtual std::uint8_t interface_number() const = 0;
  virtual std::uint8_t out_endpoint() const = 0;
  virtual std::uint8_t in_endpoint() const = 0;
  virtual std::uint8_t interrupt_endpoint() const = 0;  // 0 when there is none
  virtual std::size_t in_packet() const = 0;            // wMaxPacketSize of bulk-IN
};

// Where a link gets its pipes from, anew for every connect().
class Plug {
 public:
  virtual ~Plug() = default;
  // Finds the device and claims its interface. Errors: refused (not there, no permission, claimed
  // by another program), timeout, cancelled (by cancel()).
  virtual Awaitable<Result<std::shared_ptr<Pipes>>> open(UsbResource resource,
                                                         TimePoint deadline) = 0;
  // Ends a pending open() soon.
  virtual void cancel() {}
};

}  // namespace nightbench::link::usbtmc
