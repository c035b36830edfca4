#include "drivers/link/descriptor_stream.hpp"

#include <algorithm>
#include <boost/asio/buffer.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/this_coro.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <utility>

namespace nightbench::link {
namespace asio = boost::asio;

namespace {

Awaitable<bool> told_to_stop() {
  const asio::cancellation_state state = co_await asio::this_coro::cancellation_state;
  co_return state.cancelled() != asio::cancellation_type::none;
}

// Shared with the pending operations, so that a stream may be destroyed under them.
template <typename Port>
struct Open {
  Open(Port taken, Clock& its_clock) : port(std::move(taken)), clock(its_clock) {}

  void close() {
    closed = true;
    boost::system::error_code ignored;  // closing what is broken already is no failure
    port.close(ignored);
  }
  std::unexpected<Error> broken(const boost::system::error_code& why) {
    close();
    Error error;
    error.kind = ErrorKind::refused;
    error.number = why.value();
    error.message = why == asio::error::eof ? std::string("the port has gone")
                                            : "the port failed: " + why.message();
    return fail(std::move(error));
  }

  Port port;
  Clock& clock;
  bool closed = false;
};

template <typename Port>
Awaitable<Result<std::string>> read_from(std::shared_ptr<Open<Port>> open, std::size_t most,
                                         TimePoint deadline) {
  if (open->closed) co_return fail(ErrorKind::refused, "the port is closed");
  std::string bytes(std::max<std::size_t>(most, 1), '\0');
  bool late = false;
  const auto alarm = open->clock.arm(deadline, [open, &late] {
    late = true;
    boost::system::error_code ignored;
    open->port.cancel(ignored);
  });
  for (;;) {
    boost::system::error_code failed;
    const std::size_t count = co_await open->port.async_read_some(
        asio::buffer(bytes), asio::redirect_error(asio::use_awaitable, failed));
    if (count > 0) {
      bytes.resize(count);
      co_return bytes;
    }
    if (open->closed) co_return fail(ErrorKind::cancelled, "the port was closed while waiting");
    if (failed != asio::error::operation_aborted) co_return open->broken(failed);
    if (late) co_return fail(ErrorKind::timeout, "nothing came before the deadline");
    // A cancel for the whole port also ends an operation whose own deadline has not come.
    const bool stop = co_await told_to_stop();
    if (stop) co_return fail(ErrorKind::cancelled, "stopped while reading");
  }
}

template <typename Port>
Awaitable<Result<void>> write_to(std::shared_ptr<Open<Port>> open, std::string_view bytes,
                                 TimePoint deadline) {
  if (open->closed) co_return fail(ErrorKind::refused, "the port is closed");
  bool late = false;
  const auto alarm = open->clock.arm(deadline, [open, &late] {
    late = true;
    boost::system::error_code ignored;
    open->port.cancel(ignored);
  });
  while (!bytes.empty()) {
    boost::system::error_code failed;
    const std::size_t count = co_await open->port.async_write_some(
        asio::buffer(bytes), asio::redirect_error(asio::use_awaitable, failed));
    bytes.remove_prefix(count);
    if (bytes.empty()) break;
    if (open->closed) co_return fail(ErrorKind::cancelled, "the port was closed while waiting");
    if (failed && failed != asio::error::operation_aborted) co_return open->broken(failed);
    if (late) co_return fail(ErrorKind::timeout, "the port did not take the bytes in time");
    const bool stop = co_await told_to_stop();
    if (failed && stop) co_return fail(ErrorKind::cancelled, "stopped while writing");
  }
  co_return Result<void>{};
}

template <typename Port>
class DescriptorStream final : public Stream {
 public:
  DescriptorStream(Port port, Clock& clock)
      : open_(std::make_shared<Open<Port>>(std::move(port), clock)) {}
  ~DescriptorStream() override { open_->close(); }

  Awaitable<Result<std::string>> read_some(std::size_t most, TimePoint deadline) override {
    return read_from(open_, most, deadline);
  }
  Awaitable<Result<void>> write_all(std::string_view bytes, TimePoint deadline) override {
    return write_to(open_, bytes, deadline);
  }
  void close() override { open_->close(); }
  bool is_open() const override { return !open_->closed; }

 private:
  std::shared_ptr<Open<Port>> open_;
};

}  // namespace

std::unique_ptr<Stream> descriptor_stream(asio::posix::stream_descriptor descriptor, Clock& clock) {
  using Kind = DescriptorStream<asio::posix::stream_descriptor>;
  return std::make_unique<Kind>(std::move(descriptor), clock);
}

std::unique_ptr<Stream> descriptor_stream(asio::serial_port port, Clock& clock) {
  return std::make_unique<DescriptorStream<asio::serial_port>>(std::move(port), clock);
}

}  // namespace nightbench::link
