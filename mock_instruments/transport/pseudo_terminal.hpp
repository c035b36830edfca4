// A pseudo-terminal that stands for a serial port: programs open path() as they would a device
// file, and what they write comes out of the stream. Hand the stream to whatever serves lines.
#pragma once

#include <memory>
#include <string>

#include "drivers/base/clock.hpp"
#include "drivers/base/error.hpp"
#include "drivers/link/stream.hpp"

namespace nightbench::mock::transport {

enum class AfterClose : std::uint8_t {
  stays,  // as a serial port: a client that closes and another that opens are not noticed
  ends,   // the stream ends (refused) when the client closes
};

struct PseudoTerminal {
  std::string path;  // "/dev/pts/3"
  std::string resource() const { return "ASRL" + path + "::INSTR"; }
  std::unique_ptr<link::Stream> stream;
};

// In raw mode. Errors: refused when the system gives no pseudo-terminal.
Result<PseudoTerminal> open_pseudo_terminal(Clock& clock, AfterClose after = AfterClose::stays);

}  // namespace nightbench::mock::transport
