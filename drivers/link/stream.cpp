#include "drivers/link/stream.hpp"

#include <algorithm>
#include <boost/asio/buffer.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/this_coro.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <cstring>

namespace nightbench::link {
namespace asio = boost::asio;

namespace {

std::unexpected<Error> closed_here() {
  return fail(ErrorKind::refused, "the connection is closed");
}
std::unexpected<Error> closed_there() {
  return fail(ErrorKind::refused, "the other side closed the connection");
}
std::unexpected<Error> closed_meanwhile() {
  return fail(ErrorKind::cancelled, "the connection was closed while waiting");
}
std::unexpected<Error> nothing_read() {
  return fail(ErrorKind::timeout, "nothing came before the deadline");
}
std::unexpected<Error> nothing_taken() {
  return fail(ErrorKind::timeout, "the other side did not take the bytes before the deadline");
}

// Room for `size` bytes that the kernel will write; what it does not write is cut off.
std::string unfilled(std::size_t size) {
  std::string bytes;
  // The size that libstdc++ 12 passes can be the capacity, so ours counts.
  bytes.resize_and_overwrite(size, [size](char*, std::size_t) { return size; });
  return bytes;
}

Awaitable<bool> told_to_stop() {
  const asio::cancellation_state state = co_await asio::this_coro::cancellation_state;
  co_return state.cancelled() != asio::cancellation_type::none;
}

// ---- TCP ----

// Shared with the pending operations, so that a stream may be destroyed under them.
struct Connection {
  Connection(asio::ip::tcp::socket taken, Clock& its_clock)
      : socket(std::move(taken)), clock(its_clock) {}

  void close() {
    closed = true;
    boost::system::error_code ignored;  // closing what is broken already is no failure
    socket.shutdown(asio::ip::tcp::socket::shutdown_both, ignored);
    socket.close(ignored);
  }

  std::unexpected<Error> broken(const boost::system::error_code& why) {
    const bool plain = why == asio::error::eof || why == asio::error::connection_reset ||
                       why == asio::error::broken_pipe;
    close();
    Error error;
    error.kind = ErrorKind::refused;
    error.number = why.value();
    error.message = plain ? std::string("the other side closed the connection")
                          : "the connection failed: " + why.message();
    return fail(std::move(error));
  }

  asio::ip::tcp::socket socket;
  Clock& clock;
  bool closed = false;
};

// Without the way through the reactor: looking whether somebody speaks out of turn comes before
// every message.
Result<std::string> read_what_is_there(Connection& connection, std::string& bytes) {
  boost::system::error_code failed;
  const std::size_t count = connection.socket.read_some(asio::buffer(bytes), failed);
  if (failed == asio::error::would_block || failed == asio::error::try_again) return nothing_read();
  if (failed) return connection.broken(failed);
  bytes.resize(count);
  return std::move(bytes);
}

Awaitable<Result<std::string>> read_from(std::shared_ptr<Connection> connection, std::size_t most,
                                         TimePoint deadline) {
  if (connection->closed) co_return closed_here();
  std::string bytes = unfilled(std::max<std::size_t>(most, 1));
  if (deadline <= connection->clock.now()) co_return read_what_is_there(*connection, bytes);
  bool late = false;
  const auto alarm = connection->clock.arm(deadline, [connection, &late] {
    late = true;
    boost::system::error_code ignored;
    connection->socket.cancel(ignored);
  });
  for (;;) {
    boost::system::error_code failed;
    const std::size_t count = co_await connection->socket.async_read_some(
        asio::buffer(bytes), asio::redirect_error(asio::use_awaitable, failed));
    if (count > 0) {
      bytes.resize(count);
      co_return bytes;
    }
    if (connection->closed) co_return closed_meanwhile();
    if (failed != asio::error::operation_aborted) co_return connection->broken(failed);
    if (late) co_return nothing_read();
    // Socket-wide cancel also ends an operation whose own deadline has not come: go on with it.
    if (co_await told_to_stop()) co_return fail(ErrorKind::cancelled, "stopped while reading");
  }
}

Awaitable<Result<void>> write_to(std::shared_ptr<Connection> connection, std::string_view bytes,
                                 TimePoint deadline) {
  if (connection->closed) co_return closed_here();
  bool late = false;
  const auto alarm = connection->clock.arm(deadline, [connection, &late] {
    late = true;
    boost::system::error_code ignored;
    connection->socket.cancel(ignored);
  });
  while (!bytes.empty()) {
    boost::system::error_code failed;
    const std::size_t count = co_await connection->socket.async_write_some(
        asio::buffer(bytes), asio::redirect_error(asio::use_awaitable, failed));
    bytes.remove_prefix(count);
    if (bytes.empty()) break;
    if (connection->closed) co_return closed_meanwhile();
    if (failed && failed != asio::error::operation_aborted) co_return connection->broken(failed);
    if (late) co_return nothing_taken();
    if (failed && co_await told_to_stop()) {
      co_return fail(ErrorKind::cancelled, "stopped while writing");
    }
  }
  co_return Result<void>{};
}

class TcpStream final : public Stream {
 public:
  TcpStream(asio::ip::tcp::socket socket, Clock& clock)
      : connection_(std::make_shared<Connection>(std::move(socket), clock)) {
    boost::system::error_code ignored;  // a socket closed meanwhile shows at the first operation
    connection_->socket.set_option(asio::ip::tcp::no_delay(true), ignored);
    connection_->socket.set_option(asio::socket_base::keep_alive(true), ignored);
    connection_->socket.non_blocking(true, ignored);
  }
  ~TcpStream() override { connection_->close(); }

  Awaitable<Result<std::string>> read_some(std::size_t most, TimePoint deadline) override {
    return read_from(connection_, most, deadline);
  }
  Awaitable<Result<void>> write_all(std::string_view bytes, TimePoint deadline) override {
    return write_to(connection_, bytes, deadline);
  }
  void close() override { connection_->close(); }
  bool is_open() const override { return !connection_->closed; }

 private:
  std::shared_ptr<Connection> connection_;
};

// ---- memory ----

// One direction. The timers never expire by themselves: they are the condition variables of a
// single-threaded io_context.
struct Pipe {
  Pipe(Clock& its_clock, std::size_t its_capacity)
      : clock(its_clock),
        capacity(std::max<std::size_t>(its_capacity, 1)),
        filled(clock.context(), asio::steady_timer::time_point::max()),
        drained(clock.context(), asio::steady_timer::time_point::max()) {}

  std::size_t unread() const { return bytes.size() - head; }
  void wake() {
    filled.cancel();
    drained.cancel();
  }

  Clock& clock;
  std::size_t capacity;
  asio::steady_timer filled;
  asio::steady_timer drained;
  std::string bytes;
  std::size_t head = 0;
  bool writer_closed = false;
  bool reader_closed = false;
};

// Waits until `timer` is cancelled; false when `deadline` was the reason.
Awaitable<bool> woken(Clock& clock, asio::steady_timer& timer, TimePoint deadline) {
  bool late = false;
  const auto alarm = clock.arm(deadline, [&timer, &late] {
    late = true;
    timer.cancel();
  });
  boost::system::error_code ignored;  // always cancelled; the caller looks at the pipe
  co_await timer.async_wait(asio::redirect_error(asio::use_awaitable, ignored));
  co_return !late;
}

Awaitable<Result<std::string>> read_pipe(std::shared_ptr<Pipe> pipe, std::size_t most,
                                         TimePoint deadline) {
  if (pipe->reader_closed) co_return closed_here();
  while (pipe->unread() == 0) {
    if (pipe->writer_closed) co_return closed_there();
    const bool in_time = co_await woken(pipe->clock, pipe->filled, deadline);
    if (pipe->reader_closed) co_return closed_meanwhile();
    if (!in_time && pipe->unread() == 0) co_return nothing_read();
    if (pipe->unread() == 0 && co_await told_to_stop()) {
      co_return fail(ErrorKind::cancelled, "stopped while reading");
    }
  }
  const std::size_t count = std::min(std::max<std::size_t>(most, 1), pipe->unread());
  std::string taken = pipe->bytes.substr(pipe->head, count);
  pipe->head += count;
  if (pipe->head == pipe->bytes.size() || pipe->head > pipe->capacity) {
    pipe->bytes.erase(0, pipe->head);
    pipe->head = 0;
  }
  pipe->drained.cancel();
  co_return taken;
}

Awaitable<Result<void>> write_pipe(std::shared_ptr<Pipe> pipe, std::string_view bytes,
                                   TimePoint deadline) {
  if (pipe->writer_closed) co_return closed_here();
  while (!bytes.empty()) {
    if (pipe->reader_closed) co_return closed_there();
    const std::size_t room = pipe->capacity - std::min(pipe->capacity, pipe->unread());
    if (room > 0) {
      const std::size_t count = std::min(room, bytes.size());
      pipe->bytes.append(bytes.substr(0, count));
      bytes.remove_prefix(count);
      pipe->filled.cancel();
      continue;
    }
    const bool in_time = co_await woken(pipe->clock, pipe->drained, deadline);
    if (pipe->writer_closed) co_return closed_meanwhile();
    const bool full = pipe->unread() >= pipe->capacity;
    if (!in_time && full) co_return nothing_taken();
    if (full && co_await told_to_stop()) {
      co_return fail(ErrorKind::cancelled, "stopped while writing");
    }
  }
  co_return Result<void>{};
}

class MemoryStream final : public Stream {
 public:
  MemoryStream(std::shared_ptr<Pipe> in, std::shared_ptr<Pipe> out)
      : in_(std::move(in)), out_(std::move(out)) {}
  ~MemoryStream() override { close_both(); }

  Awaitable<Result<std::string>> read_some(std::size_t most, TimePoint deadline) override {
    return read_pipe(in_, most, deadline);
  }
  Awaitable<Result<void>> write_all(std::string_view bytes, TimePoint deadline) override {
    return write_pipe(out_, bytes, deadline);
  }
  void close() override { close_both(); }
  bool is_open() const override { return !in_->reader_closed; }

 private:
  void close_both() {
    in_->reader_closed = true;
    out_->writer_closed = true;
    in_->wake();
    out_->wake();
  }

  std::shared_ptr<Pipe> in_;
  std::shared_ptr<Pipe> out_;
};

}  // namespace

std::unique_ptr<Stream> tcp_stream(asio::ip::tcp::socket socket, Clock& clock) {
  return std::make_unique<TcpStream>(std::move(socket), clock);
}

std::pair<std::unique_ptr<Stream>, std::unique_ptr<Stream>> memory_streams(Clock& clock,
                                                                           std::size_t capacity) {
  auto there = std::make_shared<Pipe>(clock, capacity);
  auto back = std::make_shared<Pipe>(clock, capacity);
  return {std::make_unique<MemoryStream>(back, there), std::make_unique<MemoryStream>(there, back)};
}

}  // namespace nightbench::link
