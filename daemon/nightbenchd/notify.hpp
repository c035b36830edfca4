// Telling the service manager how we are: the protocol of sd_notify(3), one datagram of lines
// "NAME=VALUE" to the socket that $NOTIFY_SOCKET names. Without that variable nothing is said.
#pragma once

#include <optional>
#include <string>
#include <string_view>

#include "drivers/base/clock.hpp"

namespace nightbench::daemon {

class Notifier {
 public:
  // Reads $NOTIFY_SOCKET ("/path", or "@name" for an abstract one) and $WATCHDOG_USEC, which counts
  // when $WATCHDOG_PID is absent or ours (sd_watchdog_enabled(3)), and clears them for children.
  Notifier();
  // Whether it was sent. "READY=1", "STOPPING=1", "WATCHDOG=1", "STATUS=..."
  bool say(std::string_view lines) const;
  // How often WATCHDOG=1 is to be said: half of what the manager allows.
  std::optional<Duration> watchdog() const { return watchdog_; }

 private:
  std::string socket_;
  std::optional<Duration> watchdog_;
};

}  // namespace nightbench::daemon
