// The test device behind VXI-11, findable through a port mapper on port 111, for clients that are
// not ours: registered with the machine's own when one runs, else through ours when we may. Says
// "ready
// ..." or why not, and serves until its standard input ends.
#include <unistd.h>

#include <array>
#include <boost/asio/buffer.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/posix/stream_descriptor.hpp>
#include <cstdio>

#include "../../drivers/support/run.hpp"
#include "echo_device.hpp"
#include "mock_instruments/transport/port_mapper.hpp"
#include "mock_instruments/transport/vxi11_server.hpp"

int main() {
  using namespace nightbench;
  using namespace nightbench::mock::transport;
  boost::asio::io_context context;
  RealClock clock(context);
  const auto device = std::make_shared<test::EchoDevice>(clock);
  const auto server = Vxi11Server::start(device, clock);
  if (!server) {
    std::printf("%s\n", describe(server.error()).c_str());
    return 1;
  }
  const link::vxi11::Mapping mapping = core_mapping((*server)->core_port());
  const auto soon = [&] { return clock.now() + std::chrono::seconds(5); };
  const auto registered = test::run(clock, register_program(mapping, clock, soon()));
  std::unique_ptr<PortMapper> own;
  if (registered) {
    std::printf("ready: registered with the machine's port mapper\n");
  } else {
    auto mapper = PortMapper::start(clock, "127.0.0.1", link::vxi11::port_mapper_port, {mapping});
    if (!mapper) {
      std::printf("no port mapper: %s; %s\n", describe(registered.error()).c_str(),
                  describe(mapper.error()).c_str());
      return 1;
    }
    own = *std::move(mapper);
    std::printf("ready: with our own port mapper\n");
  }
  std::fflush(stdout);
  boost::asio::posix::stream_descriptor input(context, ::dup(STDIN_FILENO));
  std::array<char, 16> byte{};
  input.async_read_some(boost::asio::buffer(byte),
                        [&](const boost::system::error_code&, std::size_t) { context.stop(); });
  context.restart();
  context.run();
  if (registered) {
    const auto gone = test::run(clock, unregister_program(mapping, clock, soon()));
    if (!gone) std::printf("still registered: %s\n", describe(gone.error()).c_str());
  }
  return 0;
}
