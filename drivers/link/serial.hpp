// Serial ports ("ASRL" resources): lines of text, ended by NL, CR or both. No message ends, status
// byte or device clear.
//
// connect() opens the port, locks it against other programs that lock (flock), sets speed and
// framing, and throws away what was waiting in it. Close and reopen after it was unplugged.
#pragma once

#include <cstdint>
#include <memory>
#include <string>
#include <string_view>

#include "drivers/link/link.hpp"
#include "drivers/link/resource.hpp"

namespace nightbench::link {

enum class Parity : std::uint8_t { none, even, odd };
enum class FlowControl : std::uint8_t { none, hardware, software };
// What ends a line on the wire. With `cr` every CR that comes is handed up as NL, so binary blocks
// cannot be read; the other two leave what comes alone.
enum class LineEnd : std::uint8_t { nl, cr, cr_nl };

struct SerialSettings {
  unsigned baud = 9600;
  int data_bits = 8;  // 5 to 8
  Parity parity = Parity::none;
  int stop_bits = 1;  // 1 or 2
  FlowControl flow = FlowControl::none;
  LineEnd line_end = LineEnd::nl;
  bool operator==(const SerialSettings&) const = default;
};

// "115200 8N1", then in any order "rtscts" or "xonxoff", and "nl", "cr" or "crnl". Letter case does
// not matter; the framing may be left out. Errors: bad_input that says what was expected.
Result<SerialSettings> parse_serial_settings(std::string_view text);
// The same text in normal form.
std::string describe(const SerialSettings& settings);

// The device file of a resource: its path, or /dev/ttyS0 for board 1, /dev/ttyS1 for board 2 ...
// (board numbers count from 1 as in VPP-4.3; from memory).
std::string device_path(const SerialResource& resource);

// A closed link. Errors of connect(): refused when there is no such port, it is not ours to open,
// or another program holds it; bad_input when it does not do the speed.
std::unique_ptr<Link> serial_link(SerialResource resource, SerialSettings settings, Clock& clock);

}  // namespace nightbench::link
