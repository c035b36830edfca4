#include "mock_instruments/transport/vhci.hpp"

#include <fcntl.h>
#include <sys/socket.h>
#include <unistd.h>

#include <boost/asio/io_context.hpp>
#include <boost/asio/posix/stream_descriptor.hpp>
#include <cerrno>
#include <fstream>
#include <iterator>
#include <sstream>
#include <system_error>

#include "drivers/link/descriptor_stream.hpp"

namespace nightbench::mock::transport {
namespace {

const char* const controller = "/sys/devices/platform/vhci_hcd.0/";
constexpr int port_is_free = 4;  // VDEV_ST_NULL, Linux tools/usb/usbip/libsrc/vhci_driver.h

std::unexpected<Error> refused(const std::string& what, int number) {
  Error error;
  error.kind = ErrorKind::refused;
  error.number = number;
  error.message = what;
  if (number != 0) error.message += ": " + std::generic_category().message(number);
  return fail(std::move(error));
}

}  // namespace

int free_vhci_port(const std::string& status) {
  std::istringstream lines(status);
  std::string line;
  std::getline(lines, line);  // headings
  while (std::getline(lines, line)) {
    std::istringstream row(line);
    std::string hub;
    int port = -1;
    int state = 0;
    if (row >> hub >> port >> state && hub == "hs" && state == port_is_free) return port;
  }
  return -1;
}

Result<std::unique_ptr<link::Stream>> attach_to_vhci(const usbip::DeviceRecord& record,
                                                     Clock& clock) {
  std::ifstream status_file(std::string(controller) + "status");
  if (!status_file) return refused("this machine has no vhci_hcd", errno);
  const std::string status{std::istreambuf_iterator<char>(status_file), {}};
  const int port = free_vhci_port(status);
  if (port < 0) return refused("vhci_hcd has no free port", 0);
  int ends[2];
  if (::socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, ends) != 0) {
    return refused("no socket for vhci_hcd", errno);
  }
  boost::asio::posix::stream_descriptor ours(clock.context(), ends[0]);
  const std::string line = std::to_string(port) + ' ' + std::to_string(ends[1]) + ' ' +
                           std::to_string(record.devid()) + ' ' + std::to_string(record.speed);
  const int file = ::open((std::string(controller) + "attach").c_str(), O_WRONLY | O_CLOEXEC);
  const bool told =
      file >= 0 && ::write(file, line.data(), line.size()) == static_cast<ssize_t>(line.size());
  const int number = told ? 0 : errno;
  if (file >= 0) ::close(file);
  ::close(ends[1]);  // the kernel keeps it from here on
  if (!told) return refused("vhci_hcd did not take the device", number);
  return link::descriptor_stream(std::move(ours), clock);
}

}  // namespace nightbench::mock::transport
