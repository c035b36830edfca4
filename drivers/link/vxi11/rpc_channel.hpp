// Calls over one TCP connection to one ONC RPC program (RFC 5531): one call at a time, replies
// matched by their transaction number.
//
// A call that was given up (timeout, cancelled) leaves its reply on the way; the next call throws
// it away. Memory: the arguments and the reply of one call.
#pragma once

#include <cstddef>
#include <cstdint>
#include <memory>
#include <string>
#include <string_view>

#include "drivers/link/stream.hpp"
#include "drivers/link/vxi11/rpc.hpp"

namespace nightbench::link::vxi11 {

// A reply's results inside the record that carried them.
struct RpcAnswer {
  std::string record;
  std::size_t offset = 0;
  std::string_view results() const { return std::string_view(record).substr(offset); }
};

class RpcChannel {
 public:
  RpcChannel(std::unique_ptr<Stream> stream, std::uint32_t program, std::uint32_t version);

  // `most` bounds the results. Errors: those of the stream; bad_data for a broken reply (the
  // connection is closed then); refused when the server does not serve the call. A call that could
  // not be sent whole closes the connection. The channel must outlive the call.
  Awaitable<Result<RpcAnswer>> call(std::uint32_t procedure, std::string_view arguments,
                                    std::size_t most, TimePoint deadline);
  // Whether an earlier call was given up and its reply has not come yet.
  bool owes_reply() const { return owed_ > 0; }
  // Waits for the replies to given-up calls and throws them away.
  Awaitable<Result<void>> settle(TimePoint deadline);
  void close() { stream_->close(); }
  bool is_open() const { return stream_->is_open(); }

 private:
  Awaitable<Result<std::string>> read_record(TimePoint deadline);
  std::unique_ptr<Stream> stream_;
  std::uint32_t program_;
  std::uint32_t version_;
  std::uint32_t xid_;
  RecordReader reader_;
  std::size_t most_ = 0;  // the largest results asked for so far
  int owed_ = 0;
};

// GETPORT over `mapper`, a channel to a port mapper (RFC 1833, clause 3). Refused when the program
// is not registered there for TCP.
Awaitable<Result<std::uint16_t>> look_up_port(std::shared_ptr<RpcChannel> mapper,
                                              std::uint32_t program, std::uint32_t version,
                                              TimePoint deadline);

}  // namespace nightbench::link::vxi11
