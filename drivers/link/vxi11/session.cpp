#include "drivers/link/vxi11/session.hpp"

#include <algorithm>
#include <utility>

#include "drivers/link/busy.hpp"
#include "drivers/link/tcp.hpp"

namespace nightbench::link::vxi11 {
namespace {

constexpr std::size_t small_results = 64;
// The abort channel is a convenience: it may not use up the time of the connect.
constexpr Duration abort_connect_limit = std::chrono::milliseconds(500);

Awaitable<Result<std::uint16_t>> find_port(std::shared_ptr<Opening> opening, std::string host,
                                           std::uint16_t mapper_port, Clock& clock,
                                           TimePoint deadline) {
  const Result<std::shared_ptr<RpcChannel>> mapper =
      co_await opening->dial(host, mapper_port, port_mapper_program, clock, deadline);
  if (!mapper) {
    Error error = mapper.error();
    error.message = "the port mapper does not answer (" + error.message +
                    "); a known port can stand in the resource name as host,port";
    co_return fail(std::move(error));
  }
  Result<std::uint16_t> port =
      co_await look_up_port(*mapper, core_program, program_version, deadline);
  (*mapper)->close();
  co_return port;
}

Awaitable<Result<CreatedLink>> create_link(std::shared_ptr<RpcChannel> core, CreateLink wanted,
                                           TimePoint deadline) {
  const std::string arguments = encode(wanted);
  const auto procedure = static_cast<std::uint32_t>(Procedure::create_link);
  const Result<RpcAnswer> answer =
      co_await core->call(procedure, arguments, small_results, deadline);
  if (!answer) co_return fail(answer.error());
  const Result<CreatedLink> made = decode_created_link(answer->results());
  if (made && made->error != DeviceError::none) co_return refusal(made->error);
  co_return made;
}

}  // namespace

std::unexpected<Error> refusal(DeviceError error) {
  ErrorKind kind = ErrorKind::refused;
  switch (error) {
    case DeviceError::io_timeout:
      kind = ErrorKind::timeout;
      break;
    case DeviceError::aborted:
      kind = ErrorKind::cancelled;
      break;
    case DeviceError::syntax:
    case DeviceError::parameter:
    case DeviceError::invalid_address:
      kind = ErrorKind::bad_data;
      break;
    default:
      break;
  }
  return fail(kind, std::string("VXI-11: ") + describe(error) + " (error " +
                        std::to_string(static_cast<std::uint32_t>(error)) + ")");
}

void Session::close() {
  core->close();
  if (abort) abort->close();
}

void Opening::cancel() {
  cancelled_ = true;
  if (connector_) connector_->cancel();
  if (channel_) channel_->close();
}

Awaitable<Result<std::shared_ptr<RpcChannel>>> Opening::dial(std::string host, std::uint16_t port,
                                                             std::uint32_t program, Clock& clock,
                                                             TimePoint deadline) {
  const std::uint32_t version =
      program == port_mapper_program ? port_mapper_version : program_version;
  if (cancelled_) co_return closed_while_connecting();
  connector_ = tcp_connector(std::move(host), port, clock);
  Result<std::unique_ptr<Stream>> stream = co_await connector_->connect(deadline);
  if (cancelled_) co_return closed_while_connecting();
  if (!stream) co_return fail(std::move(stream).error());
  channel_ = std::make_shared<RpcChannel>(*std::move(stream), program, version);
  co_return channel_;
}

Awaitable<Result<std::shared_ptr<Session>>> open_session(std::shared_ptr<Opening> opening,
                                                         Vxi11Resource resource,
                                                         std::uint16_t mapper_port,
                                                         CreateLink wanted, Clock& clock,
                                                         TimePoint deadline) {
  std::uint16_t port = resource.port.value_or(0);
  if (!resource.port) {
    const Result<std::uint16_t> found =
        co_await find_port(opening, resource.host, mapper_port, clock, deadline);
    if (!found) co_return fail(found.error());
    port = *found;
  }
  const Result<std::shared_ptr<RpcChannel>> core =
      co_await opening->dial(resource.host, port, core_program, clock, deadline);
  if (!core) co_return fail(core.error());
  const Result<CreatedLink> made = co_await create_link(*core, std::move(wanted), deadline);
  if (!made) {
    (*core)->close();
    co_return fail(made.error());
  }
  const auto session = std::make_shared<Session>();
  session->core = *core;
  session->link = made->link;
  // 0 comes from devices that do not know; everybody must take 1024 (rule B.6.3).
  session->most_receive = std::max<std::size_t>(made->most_receive, least_receive);
  if (made->abort_port != 0) {
    const auto abort_port = static_cast<std::uint16_t>(made->abort_port);
    const TimePoint until = std::min(deadline, clock.now() + abort_connect_limit);
    const Result<std::shared_ptr<RpcChannel>> abort =
        co_await opening->dial(resource.host, abort_port, abort_program, clock, until);
    if (abort) session->abort = *abort;
  }
  co_return session;
}

Awaitable<Result<void>> simple_call(std::shared_ptr<Session> session, Procedure procedure,
                                    std::string arguments, TimePoint deadline) {
  const Result<RpcAnswer> answer = co_await session->core->call(
      static_cast<std::uint32_t>(procedure), arguments, small_results, deadline);
  if (!answer) co_return fail(answer.error());
  const Result<DeviceError> error = decode_error(answer->results());
  if (!error) co_return fail(error.error());
  if (*error != DeviceError::none) co_return refusal(*error);
  co_return Result<void>{};
}

Awaitable<void> abort_call(std::shared_ptr<Session> session, TimePoint until) {
  if (!session->abort) co_return;
  const std::string arguments = encode_link(session->link);
  const Result<RpcAnswer> ignored =  // without abort the core channel's own time-out must do
      co_await session->abort->call(device_abort, arguments, small_results, until);
  if (!ignored) session->abort->close();
}

Awaitable<void> say_goodbye(std::shared_ptr<Session> session, TimePoint until) {
  if (session->core->owes_reply()) co_await abort_call(session, until);
  const std::string arguments = encode_link(session->link);
  const Result<void> ignored =  // a device that is gone has no link left either
      co_await simple_call(session, Procedure::destroy_link, arguments, until);
  session->close();
}

}  // namespace nightbench::link::vxi11
