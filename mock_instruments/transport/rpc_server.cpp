#include "mock_instruments/transport/rpc_server.hpp"

#include <algorithm>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/io_context.hpp>
#include <utility>

#include "drivers/link/vxi11/xdr.hpp"

namespace nightbench::mock::transport {
namespace asio = boost::asio;
using namespace link::vxi11;

namespace {

constexpr std::size_t most_at_once = std::size_t{1} << 18;
// Calls that came while one runs. A client that sends more waits in its own socket.
constexpr std::size_t most_calls = 4;

std::string in_fragments(std::string_view message, std::size_t size) {
  if (size == 0) return record(message);
  std::string out;
  do {
    const std::string_view part = message.substr(0, size);
    message.remove_prefix(part.size());
    const std::uint32_t last = message.empty() ? 0x80000000U : 0;
    out += XdrWriter().word(last | static_cast<std::uint32_t>(part.size())).take();
    out += part;
  } while (!message.empty());
  return out;
}

}  // namespace

std::string refuse_call(const RpcCall& call, std::uint32_t number, std::uint32_t version) {
  RpcReply reply;
  reply.xid = call.xid;
  reply.low = version;
  reply.high = version;
  if (call.rpc != rpc_version) {
    reply.status = RpcStatus::rpc_mismatch;
    reply.low = reply.high = rpc_version;
  } else if (call.program != number) {
    reply.status = RpcStatus::program_unavailable;
  } else if (call.version != version) {
    reply.status = RpcStatus::program_mismatch;
  } else {
    return {};
  }
  return encode(reply);
}

RpcConnection::RpcConnection(std::unique_ptr<link::Stream> stream, Program program, Clock& clock)
    : stream_(std::move(stream)), program_(program), clock_(clock), news_(clock) {}

void RpcConnection::start(Procedures procedures, std::function<void()> gone,
                          std::function<void()> ended) {
  procedures_ = std::move(procedures);
  gone_ = std::move(gone);
  ended_ = std::move(ended);
  asio::co_spawn(clock_.context(), read_all(shared_from_this()), asio::detached);
  asio::co_spawn(clock_.context(), serve_all(shared_from_this()), asio::detached);
}

void RpcConnection::close() {
  open_ = false;
  stream_->close();
  news_.ring();
  const auto gone = std::exchange(gone_, nullptr);
  if (gone) gone();
}

Awaitable<void> RpcConnection::read_all(std::shared_ptr<RpcConnection> self) {
  RecordReader reader(self->program_.most_record);
  while (self->open_) {
    if (self->calls_.size() >= most_calls) {
      co_await self->news_.wait(TimePoint::max());
      continue;
    }
    const std::size_t most = std::min(reader.wants(), most_at_once);
    const Result<std::string> bytes = co_await self->stream_->read_some(most, TimePoint::max());
    if (!bytes || !reader.feed(*bytes)) break;
    if (reader.done()) {
      self->calls_.push_back(reader.take());
      self->news_.ring();
    }
  }
  self->close();
}

Awaitable<void> RpcConnection::serve_all(std::shared_ptr<RpcConnection> self) {
  for (;;) {
    if (!self->calls_.empty() && self->open_) {
      std::string message = std::move(self->calls_.front());
      self->calls_.pop_front();
      self->news_.ring();
      co_await self->answer(std::move(message));
    } else if (!self->open_) {
      break;
    } else {
      co_await self->news_.wait(TimePoint::max());
    }
  }
  const auto ended = std::exchange(self->ended_, nullptr);
  self->procedures_ = nullptr;
  if (ended) ended();
}

Awaitable<void> RpcConnection::answer(std::string message) {
  const Result<RpcCall> call = decode_call(message);
  if (!call) {
    close();  // without a transaction number there is nobody to answer
    co_return;
  }
  std::string reply = refuse_call(*call, program_.number, program_.version);
  if (reply.empty()) {
    const Outcome outcome =
        co_await procedures_(shared_from_this(), call->procedure, call->arguments);
    RpcReply made;
    made.xid = call->xid;
    made.status = outcome.status;
    made.results = outcome.results;
    reply = encode(made);
  }
  const std::string bytes = in_fragments(reply, program_.fragment);
  const Result<void> sent = co_await stream_->write_all(bytes, TimePoint::max());
  if (!sent) close();
}

}  // namespace nightbench::mock::transport
