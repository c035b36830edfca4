#include "drivers/link/vxi11/rpc.hpp"

#include <utility>

#include "drivers/link/vxi11/xdr.hpp"

namespace nightbench::link::vxi11 {
namespace {

constexpr std::uint32_t call_type = 0;
constexpr std::uint32_t reply_type = 1;
constexpr std::uint32_t accepted = 0;
constexpr std::uint32_t denied = 1;
constexpr std::size_t most_auth_bytes = 400;  // RFC 5531, clause 8.2
constexpr std::uint32_t last_fragment = 0x80000000U;
// A record of more fragments is somebody's way to keep us busy.
constexpr std::size_t most_fragments = 1U << 16;

std::unexpected<Error> wrong(const std::string& what, std::uint32_t expected, std::uint32_t found) {
  return fail(ErrorKind::bad_data, "RPC: expected " + what + " " + std::to_string(expected) +
                                       ", found " + std::to_string(found));
}

Result<void> skip_auth(XdrReader& in) {
  TRY(in.word());  // the flavour
  TRY(in.opaque(most_auth_bytes));
  return {};
}

bool is_mismatch(RpcStatus status) {
  return status == RpcStatus::program_mismatch || status == RpcStatus::rpc_mismatch;
}

Result<RpcReply> decode_denied(XdrReader& in, RpcReply reply) {
  TRY_ASSIGN(const std::uint32_t reason, in.word());
  if (reason == 0) {
    reply.status = RpcStatus::rpc_mismatch;
    TRY_ASSIGN(reply.low, in.word());
    TRY_ASSIGN(reply.high, in.word());
    return reply;
  }
  if (reason != 1) return wrong("a reason for the refusal up to", 1, reason);
  reply.status = RpcStatus::authentication_error;
  TRY_ASSIGN(reply.low, in.word());
  return reply;
}

}  // namespace

const char* describe(RpcStatus status) {
  switch (status) {
    case RpcStatus::success:
      return "success";
    case RpcStatus::program_unavailable:
      return "the program is not served there";
    case RpcStatus::program_mismatch:
      return "the program's version is not served there";
    case RpcStatus::procedure_unavailable:
      return "the procedure is not served there";
    case RpcStatus::garbage_arguments:
      return "the server could not read the arguments";
    case RpcStatus::system_error:
      return "the server had an error of its own";
    case RpcStatus::rpc_mismatch:
      return "the server speaks another version of RPC";
    case RpcStatus::authentication_error:
      return "the server wants other credentials";
  }
  return "unknown";
}

std::string encode(const RpcCall& call) {
  XdrWriter out;
  out.reserve(40 + call.arguments.size());
  out.word(call.xid).word(call_type).word(call.rpc).word(call.program).word(call.version);
  out.word(call.procedure).word(0).word(0).word(0).word(0).raw(call.arguments);
  return out.take();
}

std::string encode(const RpcReply& reply) {
  XdrWriter out;
  out.reserve(24 + reply.results.size());
  out.word(reply.xid).word(reply_type);
  if (reply.status == RpcStatus::rpc_mismatch) {
    out.word(denied).word(0).word(reply.low).word(reply.high);
    return out.take();
  }
  if (reply.status == RpcStatus::authentication_error) {
    out.word(denied).word(1).word(reply.low);
    return out.take();
  }
  out.word(accepted).word(0).word(0).word(static_cast<std::uint32_t>(reply.status));
  if (is_mismatch(reply.status)) out.word(reply.low).word(reply.high);
  if (reply.status == RpcStatus::success) out.raw(reply.results);
  return out.take();
}

Result<RpcCall> decode_call(std::string_view message) {
  XdrReader in(message);
  RpcCall call;
  TRY_ASSIGN(call.xid, in.word());
  TRY_ASSIGN(const std::uint32_t type, in.word());
  if (type != call_type) return wrong("a call, type", call_type, type);
  TRY_ASSIGN(call.rpc, in.word());
  TRY_ASSIGN(call.program, in.word());
  TRY_ASSIGN(call.version, in.word());
  TRY_ASSIGN(call.procedure, in.word());
  TRY(skip_auth(in));
  TRY(skip_auth(in));
  call.arguments = in.rest();
  return call;
}

Result<RpcReply> decode_reply(std::string_view message) {
  XdrReader in(message);
  RpcReply reply;
  TRY_ASSIGN(reply.xid, in.word());
  TRY_ASSIGN(const std::uint32_t type, in.word());
  if (type != reply_type) return wrong("a reply, type", reply_type, type);
  TRY_ASSIGN(const std::uint32_t verdict, in.word());
  if (verdict == denied) return decode_denied(in, reply);
  if (verdict != accepted) return wrong("a verdict up to", denied, verdict);
  TRY(skip_auth(in));
  TRY_ASSIGN(const std::uint32_t status, in.word());
  if (status > static_cast<std::uint32_t>(RpcStatus::system_error)) {
    return wrong("a status up to", static_cast<std::uint32_t>(RpcStatus::system_error), status);
  }
  reply.status = static_cast<RpcStatus>(status);
  if (reply.status == RpcStatus::program_mismatch) {
    TRY_ASSIGN(reply.low, in.word());
    TRY_ASSIGN(reply.high, in.word());
  }
  if (reply.status == RpcStatus::success) reply.results = in.rest();
  return reply;
}

std::string record(std::string_view message) {
  XdrWriter out;
  out.reserve(4 + message.size());
  out.word(last_fragment | static_cast<std::uint32_t>(message.size())).raw(message);
  return out.take();
}

std::size_t RecordReader::wants() const {
  if (done_) return 0;
  return mark_bytes_ < 4 ? 4 - mark_bytes_ : left_;
}

Result<void> RecordReader::feed_mark(std::string_view bytes) {
  for (const char c : bytes) mark_ = mark_ << 8 | static_cast<unsigned char>(c);
  mark_bytes_ += bytes.size();
  if (mark_bytes_ < 4) return {};
  last_ = (mark_ & last_fragment) != 0;
  left_ = mark_ & ~last_fragment;
  mark_ = 0;
  if (left_ > most_ || record_.size() > most_ - left_) {
    return fail(ErrorKind::bad_data, "RPC: a record of more than " + std::to_string(most_) +
                                         " bytes (" + std::to_string(record_.size() + left_) + ")");
  }
  if (++fragments_ > most_fragments) {
    return fail(ErrorKind::bad_data, "RPC: a record of too many fragments");
  }
  record_.reserve(record_.size() + left_);
  return {};
}

Result<void> RecordReader::feed(std::string_view bytes) {
  if (bytes.size() > wants()) {
    return fail(ErrorKind::internal, "more bytes than the record reader wanted");
  }
  if (mark_bytes_ < 4) {
    TRY(feed_mark(bytes));
    if (mark_bytes_ < 4) return {};
  } else {
    record_.append(bytes);
    left_ -= bytes.size();
  }
  if (left_ > 0) return {};
  mark_bytes_ = 0;
  done_ = last_;
  return {};
}

std::string RecordReader::take() {
  std::string out = std::move(record_);
  *this = RecordReader(most_);
  return out;
}

}  // namespace nightbench::link::vxi11
