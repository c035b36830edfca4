#include "drivers/link/vxi11/messages.hpp"
#include "drivers/link/vxi11/rpc.hpp"
#include "target.hpp"

namespace nightbench::fuzz {

// A TCP stream of RPC records, and every decoder of VXI-11 on what they hold.
void rpc_record(std::string_view bytes) {
  using namespace link::vxi11;
  constexpr std::size_t most = 1U << 16;
  RecordReader reader(most);
  while (!bytes.empty()) {
    const std::string_view piece = bytes.substr(0, reader.wants());
    require(!piece.empty(), "a reader that is not done wants bytes");
    bytes.remove_prefix(piece.size());
    if (!reader.feed(piece)) return;
    if (!reader.done()) continue;
    const std::string message = reader.take();
    require(message.size() <= most, "record within its bound");
    if (const auto call = decode_call(message)) {
      const auto back = decode_call(encode(*call));
      require(back && back->procedure == call->procedure && back->arguments == call->arguments,
              "a call that was read can be written");
      (void)decode_create_link(call->arguments);
      (void)decode_read(call->arguments);
      (void)decode_generic(call->arguments);
      (void)decode_lock(call->arguments);
      (void)decode_link(call->arguments);
      (void)decode_mapping(call->arguments);
      if (const auto write = decode_write(call->arguments, 1024)) {
        require(write->data.size() <= 1024, "data within its bound");
      }
    }
    if (const auto reply = decode_reply(message)) {
      (void)decode_created_link(reply->results);
      (void)decode_written(reply->results);
      (void)decode_status_byte(reply->results);
      (void)decode_error(reply->results);
      (void)decode_port(reply->results);
      if (const auto read = decode_read_result(reply->results, 1024)) {
        require(read->data.size() <= 1024, "data within its bound");
      }
    }
  }
}

}  // namespace nightbench::fuzz
