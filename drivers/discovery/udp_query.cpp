#include "drivers/discovery/udp_query.hpp"

#include <array>
#include <boost/asio/buffer.hpp>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/multicast.hpp>
#include <boost/asio/ip/udp.hpp>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <utility>

#include "drivers/link/wake.hpp"

namespace nightbench::discovery {
namespace asio = boost::asio;
using asio::ip::udp;

struct UdpSocket::Open {
  explicit Open(asio::io_context& context) : socket(context) {}
  udp::socket socket;
};

Result<UdpSocket> UdpSocket::open(Clock& clock, const std::string& address) {
  boost::system::error_code failed;
  const asio::ip::address_v4 here = asio::ip::make_address_v4(address, failed);
  if (failed) return fail(ErrorKind::bad_input, "'" + address + "' is no IPv4 address");
  const auto open = std::make_shared<Open>(clock.context());
  open->socket.open(udp::v4(), failed);
  if (!failed) open->socket.bind(udp::endpoint(here, 0), failed);
  if (!failed) open->socket.set_option(asio::socket_base::broadcast(true), failed);
  if (!failed) open->socket.set_option(asio::ip::multicast::outbound_interface(here), failed);
  if (failed) {
    Error error;
    error.kind = ErrorKind::refused;
    error.number = failed.value();
    error.message = "no UDP socket on " + address + ": " + failed.message();
    return fail(std::move(error));
  }
  return UdpSocket(open);
}

namespace {

constexpr std::size_t most_packets = 4096;
constexpr std::size_t most_packet_bytes = 9000;

struct Round {
  explicit Round(Clock& clock) : ended(clock) {}
  link::Wake ended;
  std::size_t running = 0;
  std::size_t packets = 0;
  bool over = false;
  TakePacket take;
};

Awaitable<void> listen(std::shared_ptr<UdpSocket::Open> open, std::shared_ptr<Round> round) {
  std::array<char, most_packet_bytes> buffer{};
  while (!round->over && round->packets < most_packets) {
    udp::endpoint sender;
    boost::system::error_code failed;
    const std::size_t count = co_await open->socket.async_receive_from(
        asio::buffer(buffer), sender, asio::redirect_error(asio::use_awaitable, failed));
    if (round->over) break;
    if (failed == asio::error::operation_aborted) break;
    if (failed) continue;  // "port unreachable" of somebody we asked
    ++round->packets;
    round->take(std::string_view(buffer.data(), count), sender.address().to_string());
  }
  --round->running;
  round->ended.ring();
}

}  // namespace

Awaitable<void> ask_and_listen(std::vector<UdpSocket> sockets, std::string packet,
                               std::string address, std::uint16_t port, TakePacket take,
                               TimePoint until, Clock& clock) {
  const auto round = std::make_shared<Round>(clock);
  round->take = std::move(take);
  boost::system::error_code failed;
  const udp::endpoint target(asio::ip::make_address(address, failed), port);
  if (failed) co_return;
  for (const UdpSocket& each : sockets) {
    boost::system::error_code silent;
    each.state()->socket.send_to(asio::buffer(packet), target, 0, silent);
    ++round->running;
    asio::co_spawn(clock.context(), listen(each.state(), round), asio::detached);
  }
  co_await sleep_until(clock, until);
  round->over = true;
  for (const UdpSocket& each : sockets) {
    boost::system::error_code ignored;  // nothing pending is as good as cancelled
    each.state()->socket.cancel(ignored);
  }
  while (round->running > 0) co_await round->ended.wait(TimePoint::max());
}

}  // namespace nightbench::discovery
