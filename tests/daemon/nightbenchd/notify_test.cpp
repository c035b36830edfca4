// The protocol of sd_notify(3) and sd_watchdog_enabled(3), with a socket of our own in the place of
// the service manager.
#include <gtest/gtest.h>
#include <poll.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <cstring>

#include "service.hpp"

namespace nightbench::testing {
namespace {

class Manager {
 public:
  explicit Manager(const std::string& file) : file_(file) {
    end_ = socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC, 0);
    sockaddr_un address{};
    address.sun_family = AF_UNIX;
    std::strncpy(address.sun_path, file.c_str(), sizeof address.sun_path - 1);
    EXPECT_EQ(bind(end_, reinterpret_cast<sockaddr*>(&address), sizeof address), 0);
  }
  ~Manager() { close(end_); }
  // The next message, "" after ten seconds.
  std::string next() {
    pollfd what{end_, POLLIN, 0};
    if (poll(&what, 1, 10'000) <= 0) return "";
    char text[4096];
    const ssize_t got = recv(end_, text, sizeof text, 0);
    return got > 0 ? std::string(text, static_cast<std::size_t>(got)) : "";
  }

 private:
  std::string file_;
  int end_ = -1;
};

TEST(Notify, ReadyThenAliveThenStopping) {
  const ScratchFolder folder;
  Manager manager(folder / "manager");
  Service service(folder, {}, {"NOTIFY_SOCKET=" + (folder / "manager"), "WATCHDOG_USEC=100000"});
  EXPECT_TRUE(manager.next().starts_with("READY=1\n"));
  for (int n = 0; n < 3; ++n) EXPECT_EQ(manager.next(), "WATCHDOG=1");
  EXPECT_EQ(service.stop(), 0);
  std::string text = manager.next();
  while (text == "WATCHDOG=1") text = manager.next();
  EXPECT_TRUE(text.starts_with("STOPPING=1\n")) << text;
}

TEST(Notify, TheWatchdogOfAnotherProcessIsNotOurs) {
  const ScratchFolder folder;
  Manager manager(folder / "manager");
  Service service(
      folder, {},
      {"NOTIFY_SOCKET=" + (folder / "manager"), "WATCHDOG_USEC=100000", "WATCHDOG_PID=1"});
  EXPECT_TRUE(manager.next().starts_with("READY=1\n"));
  EXPECT_EQ(service.stop(), 0);
  EXPECT_TRUE(manager.next().starts_with("STOPPING=1\n"));
}

}  // namespace
}  // namespace nightbench::testing
