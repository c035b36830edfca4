#include <boost/asio/io_context.hpp>
#include <boost/asio/signal_set.hpp>
#include <map>

#include "mock_instruments/server/simulated_bench.hpp"

namespace nightbench::mock::server {

Result<int> serve(const std::filesystem::path& file,
                  const std::function<void(const std::string& line)>& say) {
  boost::asio::io_context context(1);
  RealClock clock(context);
  TRY_ASSIGN(const auto bench, SimulatedBench::start(file, clock, Transport::tcp));
  boost::asio::signal_set signals(context, SIGINT, SIGTERM);
  signals.async_wait([&](const boost::system::error_code&, int) { bench->stop(); });
  std::map<std::string, std::string> elsewhere;
  if (const auto ports = bench->usbip_ports(); !ports.empty() && !bench->attach_usb()) {
    for (const auto& [name, port] : ports) {
      elsewhere[name] = "\tUSB/IP 127.0.0.1 port " + std::to_string(port) + " bus id 1-1";
    }
  }
  for (const auto& [name, resource] : bench->resources()) {
    say(name + '\t' + resource + elsewhere[name]);
  }
  context.run();
  return 0;
}

}  // namespace nightbench::mock::server
