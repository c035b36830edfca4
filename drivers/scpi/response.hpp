// Cuts what a Link delivers into responses: lines, or blocks by their length. NL inside a block
// never splits it; CR NL is taken for NL; a response may come in many chunks, several in one.
//
// Errors: those of the link; bad_data for what breaks the framing or exceeds `most`. After an error
// the position in the stream is unknown: discard() and clear or reconnect the link.
#pragma once

#include <cstddef>
#include <string>

#include "drivers/link/link.hpp"

namespace nightbench::scpi {

class ResponseReader {
 public:
  explicit ResponseReader(link::Link& link) : link_(link) {}

  // One response without its terminator. Blocks inside (after other items) are stepped over by
  // their length, so their bytes never end the line.
  Awaitable<Result<std::string>> line(std::size_t most, TimePoint deadline);

  // A response that is one block; the result is its data, at most `most` bytes. The terminator may
  // be NL, CR NL or nothing.
  Awaitable<Result<std::string>> block(std::size_t most, TimePoint deadline);

  // Bytes that came after the last response was complete: nobody asked for them.
  const std::string& leftover() const { return buffer_; }
  // Takes in, without waiting, what has arrived meanwhile; on links without message ends only.
  // After this, leftover() tells whether somebody speaks out of turn.
  Awaitable<Result<void>> peek(TimePoint now);
  void discard();

 private:
  Awaitable<Result<bool>> more(std::size_t most, TimePoint deadline);
  Awaitable<Result<std::string>> indefinite(std::size_t most, TimePoint deadline);
  void drop_old_tail();

  link::Link& link_;
  std::string buffer_;
  bool ended_ = false;      // the transport has marked the end of what is in buffer_
  bool tail_open_ = false;  // the NL of the last block has not come yet and may still come
};

}  // namespace nightbench::scpi
