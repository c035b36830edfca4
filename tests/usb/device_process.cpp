#include "device_process.hpp"

#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/posix/stream_descriptor.hpp>
#include <memory>
#include <sstream>
#include <stdexcept>

#include "../mock_instruments/transport/echo_device.hpp"
#include "drivers/link/descriptor_stream.hpp"
#include "mock_instruments/transport/usbip_server.hpp"
#include "mock_instruments/transport/usbtmc_instrument.hpp"
#include "mock_instruments/transport/vhci.hpp"

namespace nightbench::test {
namespace {
using namespace mock::transport;

// What runs in the child.
class Bus {
 public:
  explicit Bus(Clock& clock) : clock_(clock) {}

  std::string take(const std::string& line) {
    std::istringstream words(line);
    std::string command;
    words >> command;
    if (command == "plug") return plug();
    if (!instrument_) return "error: nothing is plugged in";
    UsbtmcFunction& function = instrument_->function();
    std::string which;
    words >> which;
    if (command == "unplug") {
      server_.reset();
      instrument_->stop();
      instrument_.reset();
    } else if (command == "halt") {
      function.halt(which == "in" ? usbtmc_in : usbtmc_out);
    } else if (command == "release") {
      device_->release();
    } else if (command == "checks") {
      function.flaws().pending_checks = std::stoi(which);
    } else if (command == "status") {
      device_->status = static_cast<std::uint8_t>(std::stoi(which));
    } else if (command == "count") {
      return std::to_string(function.count(static_cast<link::usbtmc::Request>(std::stoi(which))));
    } else if (command == "taken") {
      return std::to_string(device_->taken.size());
    } else {
      return "error: unknown command " + line;
    }
    return "ok";
  }

 private:
  std::string plug() {
    device_ = std::make_shared<EchoDevice>(clock_);
    instrument_ = UsbtmcInstrument::start(device_, clock_);
    auto server =
        UsbipServer::start(instrument_, instrument_->function(), instrument_->identity(), clock_);
    if (!server) return "error: " + describe(server.error());
    server_ = *std::move(server);
    auto stream = attach_to_vhci(server_->record(), clock_);
    if (!stream) return "error: " + describe(stream.error());
    server_->attach(*std::move(stream));
    return "ok";
  }

  Clock& clock_;
  std::shared_ptr<EchoDevice> device_;
  std::shared_ptr<UsbtmcInstrument> instrument_;
  std::unique_ptr<UsbipServer> server_;
};

Awaitable<void> obey(std::unique_ptr<link::Stream> stream, Bus& bus,
                     boost::asio::io_context& context) {
  std::string input;
  for (;;) {
    const std::size_t end = input.find('\n');
    if (end != std::string::npos) {
      const std::string answer = bus.take(input.substr(0, end)) + '\n';
      input.erase(0, end + 1);
      const Result<void> sent = co_await stream->write_all(answer, TimePoint::max());
      if (!sent) break;
      continue;
    }
    const Result<std::string> bytes = co_await stream->read_some(256, TimePoint::max());
    if (!bytes) break;
    input += *bytes;
  }
  context.stop();
}

void serve(int socket) {
  boost::asio::io_context context;
  RealClock clock(context);
  Bus bus(clock);
  boost::asio::posix::stream_descriptor descriptor(context, socket);
  boost::asio::co_spawn(context,
                        obey(link::descriptor_stream(std::move(descriptor), clock), bus, context),
                        boost::asio::detached);
  context.run();
}

}  // namespace

DeviceProcess::DeviceProcess() {
  int ends[2];
  if (::socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, ends) != 0) {
    throw std::runtime_error("no socket pair");
  }
  child_ = ::fork();
  if (child_ == 0) {
    ::close(ends[0]);
    serve(ends[1]);
    ::_exit(0);
  }
  ::close(ends[1]);
  socket_ = ends[0];
}

DeviceProcess::~DeviceProcess() {
  ::close(socket_);
  ::waitpid(child_, nullptr, 0);
}

std::string DeviceProcess::tell(const std::string& command) {
  const std::string line = command + '\n';
  if (::write(socket_, line.data(), line.size()) != static_cast<ssize_t>(line.size())) {
    return "error: the device process has gone";
  }
  std::string answer;
  char byte = 0;
  while (::read(socket_, &byte, 1) == 1 && byte != '\n') answer += byte;
  return answer;
}

}  // namespace nightbench::test
