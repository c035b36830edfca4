#include "drivers/link/vxi11/rpc_channel.hpp"

#include <algorithm>
#include <random>
#include <utility>

#include "drivers/link/vxi11/messages.hpp"

namespace nightbench::link::vxi11 {
namespace {

// Room for the reply's own words, credentials included, and for the fields beside the data.
constexpr std::size_t beside_results = 1024;
// One read from the socket; larger ones gain nothing.
constexpr std::size_t most_at_once = std::size_t{1} << 18;

std::uint32_t first_xid() {
  // Unlike an earlier connection's, so that its late replies cannot be taken for ours.
  static std::uint32_t seed = std::random_device()();
  seed += 0x10001;
  return seed;
}

}  // namespace

RpcChannel::RpcChannel(std::unique_ptr<Stream> stream, std::uint32_t program, std::uint32_t version)
    : stream_(std::move(stream)),
      program_(program),
      version_(version),
      xid_(first_xid()),
      reader_(beside_results) {}

Awaitable<Result<std::string>> RpcChannel::read_record(TimePoint deadline) {
  reader_.allow(most_ + beside_results);
  while (!reader_.done()) {
    const std::size_t most = std::min(reader_.wants(), most_at_once);
    Result<std::string> bytes = co_await stream_->read_some(most, deadline);
    if (!bytes) co_return fail(std::move(bytes).error());
    if (Result<void> fed = reader_.feed(*bytes); !fed) {
      stream_->close();
      co_return fail(std::move(fed).error());
    }
  }
  co_return reader_.take();
}

Awaitable<Result<RpcAnswer>> RpcChannel::call(std::uint32_t procedure, std::string_view arguments,
                                              std::size_t most, TimePoint deadline) {
  most_ = std::max(most_, most);
  RpcCall request;
  request.xid = ++xid_;
  request.program = program_;
  request.version = version_;
  request.procedure = procedure;
  request.arguments = arguments;
  {
    const std::string sent = record(encode(request));
    Result<void> written = co_await stream_->write_all(sent, deadline);
    if (!written) {
      stream_->close();  // half a record may be out
      co_return fail(std::move(written).error());
    }
  }
  const std::uint32_t mine = xid_;
  for (;;) {
    Result<std::string> message = co_await read_record(deadline);
    if (!message) {
      ++owed_;
      co_return fail(std::move(message).error());
    }
    const Result<RpcReply> reply = decode_reply(*message);
    if (!reply) {
      stream_->close();
      co_return fail(reply.error());
    }
    if (reply->xid != mine) {
      if (owed_ > 0) --owed_;
      continue;
    }
    owed_ = 0;  // one connection answers in order
    if (reply->status != RpcStatus::success) {
      const bool garbage = reply->status == RpcStatus::garbage_arguments;
      const ErrorKind kind = garbage ? ErrorKind::bad_data : ErrorKind::refused;
      co_return fail(kind, std::string("RPC: ") + describe(reply->status));
    }
    RpcAnswer answer;
    answer.offset = message->size() - reply->results.size();
    answer.record = *std::move(message);
    co_return answer;
  }
}

Awaitable<Result<void>> RpcChannel::settle(TimePoint deadline) {
  while (owed_ > 0) {
    Result<std::string> message = co_await read_record(deadline);
    if (!message) co_return fail(std::move(message).error());
    --owed_;
  }
  co_return Result<void>{};
}

Awaitable<Result<std::uint16_t>> look_up_port(std::shared_ptr<RpcChannel> mapper,
                                              std::uint32_t program, std::uint32_t version,
                                              TimePoint deadline) {
  Mapping wanted;
  wanted.program = program;
  wanted.version = version;
  wanted.protocol = protocol_tcp;
  const std::string arguments = encode(wanted);
  const auto getport = static_cast<std::uint32_t>(PortMapperProcedure::getport);
  const Result<RpcAnswer> answer = co_await mapper->call(getport, arguments, 16, deadline);
  if (!answer) co_return fail(answer.error());
  const Result<std::uint16_t> port = decode_port(answer->results());
  if (port && *port == 0) {
    co_return fail(ErrorKind::refused,
                   "RPC program " + std::to_string(program) + " is not registered there for TCP");
  }
  co_return port;
}

}  // namespace nightbench::link::vxi11
