// The link seam: a message connection to one instrument. Raw TCP, VXI-11, HiSLIP, USBTMC, serial,
// the in-memory pair, the recorder and the replayer all implement it; the layers above never know.
//
// Contract for every implementation (held by one typed test suite, tests/drivers/link/contract.hpp):
//  - One operation at a time, from the io_context thread of the clock it was made with. Starting a
//    second operation while one is pending is a bug of the caller and may be refused (internal).
//  - Every operation ends at its deadline at the latest, with ErrorKind::timeout.
//  - Errors: timeout; refused (nobody there, closed by the other side, unplugged: reconnect() may
//    help); bad_data (the other side broke the transport's own rules); cancelled (close() was
//    called meanwhile). `Error::instrument` and `command` are filled in by the layer above.
//  - After timeout, bad_data or refused the stream may hold the rest of a late answer. The caller
//    must clear() or reconnect() before it trusts another answer.
//  - Memory is bounded by what the caller asks for.
#pragma once

#include <cstddef>
#include <cstdint>
#include <string>
#include <string_view>

#include "drivers/base/clock.hpp"
#include "drivers/base/error.hpp"

namespace nightbench::link {

// A piece of a response.
struct Chunk {
  std::string bytes;  // at least one byte, unless `end` is set
  bool end = false;   // the transport says that the message ends here (END, EOM, RMT); raw sockets
                      // and serial ports never say so
};

class Link {
 public:
  virtual ~Link() = default;

  // Sends one whole program message. The link adds what its transport needs to mark the end (raw
  // sockets and serial ports: a final NL unless `message` has one; others: END on the last byte).
  virtual Awaitable<Result<void>> write(std::string_view message, TimePoint deadline) = 0;

  // Receives what is there, at most `most` bytes, waiting for the first one.
  virtual Awaitable<Result<Chunk>> read(std::size_t most, TimePoint deadline) = 0;

  // Device clear: both directions emptied, the instrument's parser reset. Raw sockets and serial
  // ports cannot; they return ErrorKind::refused and the caller reconnects instead.
  virtual Awaitable<Result<void>> clear(TimePoint deadline) = 0;

  // The IEEE 488.1 status byte, out of band. Transports without one return ErrorKind::refused.
  virtual Awaitable<Result<std::uint8_t>> status_byte(TimePoint deadline) = 0;

  // Opens the connection, closing an older one first. Links are made closed.
  virtual Awaitable<Result<void>> connect(TimePoint deadline) = 0;

  // Closes at once. A pending operation ends with ErrorKind::cancelled. Never fails.
  virtual void close() = 0;

  virtual bool is_open() const = 0;
  // Whether read() reports message ends. When false the layer above frames by NL and block length.
  virtual bool marks_end() const = 0;
  // The VISA resource name, normalised.
  virtual const std::string& resource() const = 0;
};

}  // namespace nightbench::link
