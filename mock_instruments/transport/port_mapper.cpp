#include "mock_instruments/transport/port_mapper.hpp"

#include <array>
#include <boost/asio/buffer.hpp>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/udp.hpp>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <utility>

#include "drivers/link/tcp.hpp"
#include "drivers/link/vxi11/rpc_channel.hpp"
#include "drivers/link/vxi11/xdr.hpp"
#include "mock_instruments/transport/listener.hpp"
#include "mock_instruments/transport/rpc_server.hpp"

namespace nightbench::mock::transport {
namespace asio = boost::asio;
using asio::ip::udp;
using namespace link::vxi11;

class PortMapper::Core : public std::enable_shared_from_this<PortMapper::Core> {
 public:
  Core(Clock& clock, std::vector<Mapping> mappings)
      : clock_(clock), mappings_(std::move(mappings)), socket_(clock.context()) {}

  Result<void> listen(const std::string& address, std::uint16_t port) {
    const std::weak_ptr<Core> self = weak_from_this();
    TRY_ASSIGN(listener_, Listener::open(clock_, address, port, [self](auto stream) {
                 if (const auto core = self.lock()) core->admit(std::move(stream));
               }));
    for (const std::uint32_t protocol : {protocol_tcp, protocol_udp}) {
      mappings_.push_back({port_mapper_program, port_mapper_version, protocol, listener_->port()});
    }
    boost::system::error_code failed;
    const udp::endpoint endpoint(asio::ip::make_address(address, failed), listener_->port());
    if (!failed) socket_.open(endpoint.protocol(), failed);
    if (!failed) socket_.bind(endpoint, failed);
    if (failed) {
      return fail(ErrorKind::refused, "cannot listen on " + address + " UDP port " +
                                          std::to_string(listener_->port()) + ": " +
                                          failed.message());
    }
    asio::co_spawn(clock_.context(), serve_udp(shared_from_this()), asio::detached);
    return {};
  }
  void stop() {
    open_ = false;
    listener_.reset();
    boost::system::error_code ignored;  // closing is all that is wanted
    socket_.close(ignored);
    for (const auto& each : std::exchange(connections_, {})) each->close();
  }
  std::uint16_t port() const { return listener_ ? listener_->port() : 0; }
  std::uint64_t queries() const { return queries_; }

 private:
  void admit(std::unique_ptr<link::Stream> stream) {
    RpcConnection::Program program;
    program.number = port_mapper_program;
    program.version = port_mapper_version;
    const auto connection = std::make_shared<RpcConnection>(std::move(stream), program, clock_);
    connections_.push_back(connection);
    const std::shared_ptr<Core> self = shared_from_this();
    const std::weak_ptr<RpcConnection> weak = connection;
    connection->start(
        [self](std::shared_ptr<RpcConnection>, std::uint32_t procedure,
               std::string_view arguments) { return self->run(procedure, arguments); },
        nullptr, [self, weak] { std::erase(self->connections_, weak.lock()); });
  }

  Awaitable<RpcConnection::Outcome> run(std::uint32_t procedure, std::string_view arguments) {
    co_return answer(procedure, arguments);
  }

  RpcConnection::Outcome answer(std::uint32_t procedure, std::string_view arguments) {
    switch (static_cast<PortMapperProcedure>(procedure)) {
      case PortMapperProcedure::null:
        return {};
      case PortMapperProcedure::getport: {
        const Result<Mapping> wanted = decode_mapping(arguments);
        if (!wanted) return {RpcStatus::garbage_arguments, {}};
        ++queries_;
        for (const Mapping& each : mappings_) {
          if (each.program == wanted->program && each.version == wanted->version &&
              each.protocol == wanted->protocol) {
            return {RpcStatus::success, XdrWriter().word(each.port).take()};
          }
        }
        return {RpcStatus::success, XdrWriter().word(0).take()};
      }
      case PortMapperProcedure::dump: {
        XdrWriter out;
        for (const Mapping& each : mappings_) out.boolean(true).raw(encode(each));
        return {RpcStatus::success, out.boolean(false).take()};
      }
      case PortMapperProcedure::set:
      case PortMapperProcedure::unset:  // nobody may register here
        return {RpcStatus::success, XdrWriter().boolean(false).take()};
    }
    return {RpcStatus::procedure_unavailable, {}};
  }

  static Awaitable<void> serve_udp(std::shared_ptr<Core> self) {
    std::array<char, 1500> buffer{};
    while (self->open_) {
      udp::endpoint from;
      boost::system::error_code failed;
      const std::size_t count = co_await self->socket_.async_receive_from(
          asio::buffer(buffer), from, asio::redirect_error(asio::use_awaitable, failed));
      if (!self->open_) co_return;
      if (failed) continue;  // an earlier answer bounced
      const Result<RpcCall> call = decode_call(std::string_view(buffer.data(), count));
      if (!call) continue;  // UDP: nonsense gets no answer
      std::string reply = refuse_call(*call, port_mapper_program, port_mapper_version);
      if (reply.empty()) {
        const RpcConnection::Outcome outcome = self->answer(call->procedure, call->arguments);
        RpcReply made;
        made.xid = call->xid;
        made.status = outcome.status;
        made.results = outcome.results;
        reply = encode(made);
      }
      co_await self->socket_.async_send_to(asio::buffer(reply), from,
                                           asio::redirect_error(asio::use_awaitable, failed));
    }
  }

  Clock& clock_;
  std::vector<Mapping> mappings_;
  std::unique_ptr<Listener> listener_;
  std::vector<std::shared_ptr<RpcConnection>> connections_;
  udp::socket socket_;
  std::uint64_t queries_ = 0;
  bool open_ = true;
};

Result<std::unique_ptr<PortMapper>> PortMapper::start(Clock& clock, const std::string& address,
                                                      std::uint16_t port,
                                                      std::vector<Mapping> mappings) {
  const auto core = std::make_shared<Core>(clock, std::move(mappings));
  TRY(core->listen(address, port));
  return std::unique_ptr<PortMapper>(new PortMapper(core));
}

PortMapper::PortMapper(std::shared_ptr<Core> core) : core_(std::move(core)) {}
PortMapper::~PortMapper() {
  core_->stop();
}
std::uint16_t PortMapper::port() const {
  return core_->port();
}
std::uint64_t PortMapper::queries() const {
  return core_->queries();
}

Mapping core_mapping(std::uint16_t port) {
  Mapping mapping;
  mapping.program = core_program;
  mapping.version = program_version;
  mapping.protocol = protocol_tcp;
  mapping.port = port;
  return mapping;
}

namespace {

Awaitable<Result<bool>> change(PortMapperProcedure procedure, Mapping mapping, Clock& clock,
                               TimePoint deadline) {
  const std::unique_ptr<link::Connector> connector =
      link::tcp_connector("127.0.0.1", port_mapper_port, clock);
  Result<std::unique_ptr<link::Stream>> stream = co_await connector->connect(deadline);
  if (!stream) co_return fail(std::move(stream).error());
  RpcChannel channel(*std::move(stream), port_mapper_program, port_mapper_version);
  const std::string arguments = encode(mapping);
  const auto number = static_cast<std::uint32_t>(procedure);
  const Result<RpcAnswer> answer = co_await channel.call(number, arguments, 16, deadline);
  if (!answer) co_return fail(answer.error());
  co_return XdrReader(answer->results()).boolean();
}

}  // namespace

Awaitable<Result<void>> register_program(Mapping mapping, Clock& clock, TimePoint deadline) {
  // An entry of a program that crashed would stand in the way.
  const Result<bool> removed =
      co_await change(PortMapperProcedure::unset, mapping, clock, deadline);
  if (!removed) co_return fail(removed.error());
  const Result<bool> set = co_await change(PortMapperProcedure::set, mapping, clock, deadline);
  if (!set) co_return fail(set.error());
  if (!*set) co_return fail(ErrorKind::refused, "the port mapper will not register the program");
  co_return Result<void>{};
}

Awaitable<Result<void>> unregister_program(Mapping mapping, Clock& clock, TimePoint deadline) {
  const Result<bool> removed =
      co_await change(PortMapperProcedure::unset, mapping, clock, deadline);
  if (!removed) co_return fail(removed.error());
  co_return Result<void>{};
}

}  // namespace nightbench::mock::transport
