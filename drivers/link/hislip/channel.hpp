// One of the two TCP connections of a HiSLIP session: whole headers, bounded payloads, and
// skipping. Both ends use it. A read that is given up (timeout) goes on where it stopped at the
// next call.
#pragma once

#include <cstddef>
#include <cstdint>
#include <memory>
#include <string>
#include <string_view>

#include "drivers/link/hislip/message.hpp"
#include "drivers/link/stream.hpp"

namespace nightbench::link::hislip {

struct Message {
  Header header;
  std::string payload;
};

class Channel {
 public:
  explicit Channel(std::unique_ptr<Stream> stream) : stream_(std::move(stream)) {}

  // The next header, after whatever is left of the payload before it has been skipped. Errors:
  // those of the stream; bad_data for bytes that are no header (the connection is closed then).
  Awaitable<Result<Header>> read_header(TimePoint deadline);
  // At least one byte of the current payload and at most `most`; payload_left() must not be 0.
  Awaitable<Result<std::string>> read_payload(std::size_t most, TimePoint deadline);
  std::uint64_t payload_left() const { return left_; }
  Awaitable<Result<void>> skip_payload(TimePoint deadline);
  // A whole message. bad_data when its payload is longer than `most`.
  Awaitable<Result<Message>> read_message(std::size_t most, TimePoint deadline);

  // A message that could not be sent whole closes the connection: its rest would be missing.
  Awaitable<Result<void>> send(Header header, std::string_view payload, TimePoint deadline);

  void close() { stream_->close(); }
  bool is_open() const { return stream_->is_open(); }

 private:
  std::unique_ptr<Stream> stream_;
  std::string header_;   // what has come of the next header
  std::string payload_;  // what has come of the message under way in read_message()
  Header current_;
  bool in_message_ = false;
  std::uint64_t left_ = 0;
};

}  // namespace nightbench::link::hislip
