#include "drivers/discovery/vxi11_broadcast.hpp"

#include <algorithm>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/io_context.hpp>
#include <memory>
#include <optional>
#include <random>

#include "drivers/discovery/mdns.hpp"
#include "drivers/discovery/udp_query.hpp"
#include "drivers/link/vxi11/messages.hpp"
#include "drivers/link/vxi11/rpc.hpp"

namespace nightbench::discovery {
namespace {

using namespace link::vxi11;

constexpr std::size_t most_hosts = 1024;

std::string question(std::uint32_t xid) {
  Mapping wanted;
  wanted.program = core_program;
  wanted.version = program_version;
  wanted.protocol = protocol_tcp;
  const std::string arguments = encode(wanted);
  RpcCall call;
  call.xid = xid;
  call.program = port_mapper_program;
  call.version = port_mapper_version;
  call.procedure = static_cast<std::uint32_t>(PortMapperProcedure::getport);
  call.arguments = arguments;
  return encode(call);
}

// One interface and one target.
struct Way {
  UdpSocket socket;
  std::string target;
};

}  // namespace

std::uint16_t port_in_answer(std::string_view packet, std::uint32_t xid) {
  const Result<RpcReply> reply = decode_reply(packet);
  if (!reply || reply->xid != xid || reply->status != RpcStatus::success) return 0;
  return decode_port(reply->results).value_or(0);
}

Awaitable<Result<std::vector<Vxi11Host>>> find_vxi11(BroadcastOptions options, Clock& clock) {
  std::vector<Way> ways;
  std::optional<Error> first;
  for (const Interface& each : interfaces()) {
    const bool wanted = options.interfaces.empty() ||
                        std::find(options.interfaces.begin(), options.interfaces.end(),
                                  each.address) != options.interfaces.end();
    if (!wanted) continue;
    std::vector<std::string> targets = options.targets;
    if (targets.empty() && !each.broadcast.empty()) targets.push_back(each.broadcast);
    for (const std::string& target : targets) {
      Result<UdpSocket> socket = UdpSocket::open(clock, each.address);
      if (socket) {
        ways.push_back(Way{*std::move(socket), target});
      } else if (!first) {
        first = socket.error();
      }
    }
  }
  if (ways.empty() && first) co_return fail(*first);

  const std::uint32_t xid = std::random_device()();
  const std::string packet = question(xid);
  const auto hosts = std::make_shared<std::vector<Vxi11Host>>();
  const TakePacket take = [hosts, xid](std::string_view answer, const std::string& sender) {
    const std::uint16_t port = port_in_answer(answer, xid);
    const bool known = std::any_of(hosts->begin(), hosts->end(),
                                   [&](const Vxi11Host& each) { return each.address == sender; });
    if (port != 0 && !known && hosts->size() < most_hosts) hosts->push_back({sender, port});
  };
  const TimePoint until = clock.now() + options.listen;
  // All but the last way listen beside it.
  for (std::size_t i = 0; i + 1 < ways.size(); ++i) {
    const std::vector<UdpSocket> one(1, ways[i].socket);
    boost::asio::co_spawn(
        clock.context(),
        ask_and_listen(one, packet, ways[i].target, options.port, take, until, clock),
        boost::asio::detached);
  }
  if (!ways.empty()) {
    const std::vector<UdpSocket> one(1, ways.back().socket);
    co_await ask_and_listen(one, packet, ways.back().target, options.port, take, until, clock);
  }
  co_return *hosts;
}

}  // namespace nightbench::discovery
