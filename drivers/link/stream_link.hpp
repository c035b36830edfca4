// A Link over any byte stream: raw sockets, serial ports, memory. It marks no message ends, has no
// status byte and no device clear (both return ErrorKind::refused); write() adds the final NL.
//
// A connector makes the stream, anew for every connect(). After `refused` or `bad_data` the link is
// closed and connect() may help. The link may be destroyed while an operation is pending; that
// operation then ends with `cancelled`.
#pragma once

#include <functional>
#include <memory>
#include <string>

#include "drivers/link/link.hpp"
#include "drivers/link/stream.hpp"

namespace nightbench::link {

class Connector {
 public:
  virtual ~Connector() = default;
  // A connected stream. Errors: timeout, refused, cancelled (by cancel()).
  virtual Awaitable<Result<std::unique_ptr<Stream>>> connect(TimePoint deadline) = 0;
  // Ends a pending connect() soon. Never fails; harmless when none is pending.
  virtual void cancel() {}
};

// A connector that asks `make`, for streams that need no waiting (memory). `make` may fail.
std::unique_ptr<Connector> connector(std::function<Result<std::unique_ptr<Stream>>()> make);

class StreamLink final : public Link {
 public:
  StreamLink(std::string resource, std::unique_ptr<Connector> connector);
  ~StreamLink() override;

  Awaitable<Result<void>> write(std::string_view message, TimePoint deadline) override;
  Awaitable<Result<Chunk>> read(std::size_t most, TimePoint deadline) override;
  Awaitable<Result<void>> clear(TimePoint deadline) override;
  Awaitable<Result<std::uint8_t>> status_byte(TimePoint deadline) override;
  Awaitable<Result<void>> connect(TimePoint deadline) override;
  void close() override;
  bool is_open() const override;
  bool marks_end() const override { return false; }
  const std::string& resource() const override;

 private:
  struct State;
  std::shared_ptr<State> state_;
};

}  // namespace nightbench::link
