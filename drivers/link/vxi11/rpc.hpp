// ONC remote procedure calls, version 2 (RFC 5531): call and reply messages, and the record marks
// that frame them on TCP (clause 11). Pure: bytes in, values out; errors are bad_data.
#pragma once

#include <cstddef>
#include <cstdint>
#include <string>
#include <string_view>

#include "drivers/base/error.hpp"

namespace nightbench::link::vxi11 {

constexpr std::uint32_t rpc_version = 2;

struct RpcCall {
  std::uint32_t xid = 0;
  std::uint32_t rpc = rpc_version;  // a server answers another version with `rpc_mismatch`
  std::uint32_t program = 0;
  std::uint32_t version = 0;
  std::uint32_t procedure = 0;
  std::string_view arguments;  // XDR; borrowed from the message
};

// accept_stat and reject_stat in one (clause 9).
enum class RpcStatus : std::uint8_t {
  success,
  program_unavailable,
  program_mismatch,
  procedure_unavailable,
  garbage_arguments,
  system_error,
  rpc_mismatch,
  authentication_error,
};
// "the program is not served there" ...
const char* describe(RpcStatus status);

struct RpcReply {
  std::uint32_t xid = 0;
  RpcStatus status = RpcStatus::success;
  std::uint32_t low = 0;  // the versions served, with the two mismatches
  std::uint32_t high = 0;
  std::string_view results;  // XDR, with success; borrowed from the message
};

// Messages without their record mark, as UDP carries them. Credential and verifier are AUTH_NONE.
std::string encode(const RpcCall& call);
std::string encode(const RpcReply& reply);
// Credentials and verifiers of up to 400 bytes (clause 8.2) are skipped.
Result<RpcCall> decode_call(std::string_view message);
Result<RpcReply> decode_reply(std::string_view message);

// `message` as one record of one fragment.
std::string record(std::string_view message);

// Joins the fragments of one record. Feed it at most wants() bytes at a time and nothing of the
// next record is ever held.
class RecordReader {
 public:
  // Records above `most` bytes are refused before anything is allocated for them.
  explicit RecordReader(std::size_t most) : most_(most) {}
  void allow(std::size_t most) { most_ = most; }
  // How many bytes it can use now: the rest of the mark or of the fragment; 0 when done().
  std::size_t wants() const;
  // At most wants() bytes. bad_data: the record is too long, or made of very many empty fragments.
  Result<void> feed(std::string_view bytes);
  bool done() const { return done_; }
  bool begun() const { return mark_bytes_ > 0 || fragments_ > 0; }
  // The record; the reader starts anew.
  std::string take();

 private:
  Result<void> feed_mark(std::string_view bytes);
  std::size_t most_;
  std::string record_;
  std::uint32_t mark_ = 0;
  std::size_t mark_bytes_ = 0;  // of the current mark, 0 to 4
  std::size_t left_ = 0;        // of the current fragment
  std::size_t fragments_ = 0;
  bool last_ = false;
  bool done_ = false;
};

}  // namespace nightbench::link::vxi11
