#include "daemon/nightbenchd/notify.hpp"

#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <cstddef>
#include <cstdlib>
#include <cstring>

#include "drivers/base/quantity.hpp"

namespace nightbench::daemon {
namespace {

std::string taken(const char* name) {
  const char* value = std::getenv(name);
  std::string out = value == nullptr ? "" : value;
  unsetenv(name);
  return out;
}

}  // namespace

Notifier::Notifier() : socket_(taken("NOTIFY_SOCKET")) {
  const std::string span = taken("WATCHDOG_USEC");
  const std::string pid = taken("WATCHDOG_PID");
  if (span.empty() || (!pid.empty() && pid != std::to_string(getpid()))) return;
  const auto microseconds = parse_number(span);
  if (microseconds && *microseconds > 0) watchdog_ = from_seconds(*microseconds * 1e-6 / 2);
}

bool Notifier::say(std::string_view lines) const {
  sockaddr_un address{};
  address.sun_family = AF_UNIX;
  if (socket_.empty() || socket_.size() >= sizeof address.sun_path ||
      (socket_.front() != '/' && socket_.front() != '@')) {
    return false;
  }
  std::memcpy(address.sun_path, socket_.data(), socket_.size());
  if (socket_.front() == '@') address.sun_path[0] = '\0';
  const auto length = static_cast<socklen_t>(offsetof(sockaddr_un, sun_path) + socket_.size());
  const int end = ::socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC, 0);
  if (end < 0) return false;
  const ssize_t sent = ::sendto(end, lines.data(), lines.size(), MSG_NOSIGNAL | MSG_DONTWAIT,
                                reinterpret_cast<const sockaddr*>(&address), length);
  ::close(end);
  return sent == static_cast<ssize_t>(lines.size());
}

}  // namespace nightbench::daemon
