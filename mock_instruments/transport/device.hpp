// What a transport's server needs of the thing that it serves: a simulated instrument, or a little
// one made for a test. VXI-11, HiSLIP and USBTMC servers all talk to this and to nothing else.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "drivers/base/clock.hpp"

namespace nightbench::mock::transport {

class Device {
 public:
  virtual ~Device() = default;

  // Runs one program message (without its terminator) and returns the response message (without
  // its terminator), or nothing when no query was answered. One after another: a second call waits
  // for the first. Ends early, with nothing, after device_clear(). The device must outlive it.
  virtual Awaitable<std::optional<std::string>> take(std::string message) = 0;

  // Ends what is under way; settings and status stay (IEEE 488.2, 5.8).
  virtual void device_clear() = 0;
  // The status byte of a serial poll; `message_available`: the transport holds a response (bit 4).
  virtual std::uint8_t status_byte(bool message_available) = 0;
  // Group execute trigger.
  virtual void trigger() {}

  // Message exchange (IEEE 488.2 chapter 6) as the transport sees it: a new message before the
  // response was read (-410), asked to talk with nothing to say (-420), input too long (-363).
  virtual void interrupted() {}
  virtual void unterminated() {}
  virtual void overrun() {}
};

// A message as it came, cut into program messages without terminators; empty ones are left out. NL
// ends one (IEEE 488.2, 7.5), but not in a message that holds a block: its bytes may be anything.
std::vector<std::string> program_messages(std::string message);
// Whether what has come so far is a whole message without the transport's END: it ends in NL.
bool ends_by_itself(const std::string& message);

}  // namespace nightbench::mock::transport
