// A two-way stream of bytes, the layer under links and under simulated instruments: a TCP socket or
// a pair of in-memory ends. No message boundaries. One read and one write may be pending at a time,
// from the clock's io_context thread.
//
// Errors: timeout at the deadline; refused when the other side has closed or reset; cancelled when
// close() is called meanwhile.
#pragma once

#include <boost/asio/ip/tcp.hpp>
#include <cstddef>
#include <memory>
#include <string>
#include <string_view>
#include <utility>

#include "drivers/base/clock.hpp"
#include "drivers/base/error.hpp"

namespace nightbench::link {

class Stream {
 public:
  virtual ~Stream() = default;
  // At least one byte and at most `most`, waiting for the first.
  virtual Awaitable<Result<std::string>> read_some(std::size_t most, TimePoint deadline) = 0;
  virtual Awaitable<Result<void>> write_all(std::string_view bytes, TimePoint deadline) = 0;
  // Both directions, at once; what the other side has not read yet stays readable there.
  virtual void close() = 0;
  virtual bool is_open() const = 0;
};

// Takes over a connected socket; sets no-delay and keep-alive.
std::unique_ptr<Stream> tcp_stream(boost::asio::ip::tcp::socket socket, Clock& clock);

// Two ends of one in-memory stream. A writer waits while `capacity` bytes are unread.
std::pair<std::unique_ptr<Stream>, std::unique_ptr<Stream>> memory_streams(
    Clock& clock, std::size_t capacity = std::size_t{1} << 20);

}  // namespace nightbench::link
