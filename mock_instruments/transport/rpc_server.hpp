// The server's side of one ONC RPC connection: records in, calls dispatched one at a time, replies
// out. It reads on while a call runs, so that it notices when the client goes.
#pragma once

#include <cstddef>
#include <cstdint>
#include <deque>
#include <functional>
#include <memory>
#include <string>

#include "drivers/link/stream.hpp"
#include "drivers/link/vxi11/rpc.hpp"
#include "drivers/link/wake.hpp"

namespace nightbench::mock::transport {

class RpcConnection : public std::enable_shared_from_this<RpcConnection> {
 public:
  // What a call came to: a status other than success, or XDR results.
  struct Outcome {
    link::vxi11::RpcStatus status = link::vxi11::RpcStatus::success;
    std::string results;
  };
  // Runs one procedure of the program; `arguments` are borrowed until it ends.
  using Procedures = std::function<Awaitable<Outcome>(
      std::shared_ptr<RpcConnection>, std::uint32_t procedure, std::string_view arguments)>;
  struct Program {
    std::uint32_t number = 0;
    std::uint32_t version = 1;
    std::size_t most_record = 1U << 16;
    std::size_t fragment = 0;  // of replies; 0: one
  };

  RpcConnection(std::unique_ptr<link::Stream> stream, Program program, Clock& clock);
  // Serves until the client goes or close(). Calls `gone` at once then, so that a call under way
  // can end, and `ended` when it has; each once.
  void start(Procedures procedures, std::function<void()> gone, std::function<void()> ended);
  void close();
  bool is_open() const { return open_; }

 private:
  static Awaitable<void> read_all(std::shared_ptr<RpcConnection> self);
  static Awaitable<void> serve_all(std::shared_ptr<RpcConnection> self);
  Awaitable<void> answer(std::string message);

  std::unique_ptr<link::Stream> stream_;
  Program program_;
  Clock& clock_;
  link::Wake news_;
  Procedures procedures_;
  std::function<void()> gone_;
  std::function<void()> ended_;
  std::deque<std::string> calls_;
  bool open_ = true;
};

// The reply to a call that RPC itself refuses (wrong version, program ...), or nothing when `call`
// is for `version` of program `number`.
std::string refuse_call(const link::vxi11::RpcCall& call, std::uint32_t number,
                        std::uint32_t version);

}  // namespace nightbench::mock::transport
