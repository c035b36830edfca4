#include "drivers/link/stream_link.hpp"

#include <utility>

namespace nightbench::link {

namespace {

class MakingConnector final : public Connector {
 public:
  explicit MakingConnector(std::function<Result<std::unique_ptr<Stream>>()> make)
      : make_(std::move(make)) {}
  Awaitable<Result<std::unique_ptr<Stream>>> connect(TimePoint) override { co_return make_(); }

 private:
  std::function<Result<std::unique_ptr<Stream>>()> make_;
};

}  // namespace

std::unique_ptr<Connector> connector(std::function<Result<std::unique_ptr<Stream>>()> make) {
  return std::make_unique<MakingConnector>(std::move(make));
}

struct StreamLink::State {
  std::string resource;
  std::unique_ptr<Connector> connector;
  std::shared_ptr<Stream> stream;
  int generation = 0;  // counts connects and closes, so that a pending connect sees a close
  bool busy = false;

  void drop() {
    ++generation;
    connector->cancel();
    if (stream) stream->close();
    stream.reset();
  }
};

namespace {

// Marks an operation as pending for the length of a scope.
class Busy {
 public:
  explicit Busy(bool& flag) : flag_(flag) { flag_ = true; }
  ~Busy() { flag_ = false; }
  Busy(const Busy&) = delete;
  Busy& operator=(const Busy&) = delete;

 private:
  bool& flag_;
};

std::unexpected<Error> already_busy() {
  return fail(ErrorKind::internal, "an operation was started while another is pending");
}
std::unexpected<Error> not_connected() {
  return fail(ErrorKind::refused, "the link is not connected");
}

}  // namespace

StreamLink::StreamLink(std::string resource, std::unique_ptr<Connector> connector)
    : state_(std::make_shared<State>()) {
  state_->resource = std::move(resource);
  state_->connector = std::move(connector);
}

StreamLink::~StreamLink() {
  state_->drop();
}

Awaitable<Result<void>> StreamLink::write(std::string_view message, TimePoint deadline) {
  const std::shared_ptr<State> state = state_;
  if (state->busy) co_return already_busy();
  if (!state->stream) co_return not_connected();
  const Busy busy(state->busy);
  std::string bytes(message);
  if (bytes.empty() || bytes.back() != '\n') bytes += '\n';
  const std::shared_ptr<Stream> stream = state->stream;
  Result<void> done = co_await stream->write_all(bytes, deadline);
  if (!done && done.error().kind == ErrorKind::refused && stream == state->stream) {
    state->stream.reset();
  }
  co_return done;
}

Awaitable<Result<Chunk>> StreamLink::read(std::size_t most, TimePoint deadline) {
  const std::shared_ptr<State> state = state_;
  if (state->busy) co_return already_busy();
  if (!state->stream) co_return not_connected();
  const Busy busy(state->busy);
  const std::shared_ptr<Stream> stream = state->stream;
  Result<std::string> bytes = co_await stream->read_some(most, deadline);
  if (!bytes) {
    if (bytes.error().kind == ErrorKind::refused && stream == state->stream) state->stream.reset();
    co_return fail(std::move(bytes).error());
  }
  Chunk chunk;
  chunk.bytes = *std::move(bytes);
  co_return chunk;
}

Awaitable<Result<void>> StreamLink::clear(TimePoint) {
  co_return fail(ErrorKind::refused, "this transport has no device clear");
}

Awaitable<Result<std::uint8_t>> StreamLink::status_byte(TimePoint) {
  co_return fail(ErrorKind::refused, "this transport has no status byte");
}

Awaitable<Result<void>> StreamLink::connect(TimePoint deadline) {
  const std::shared_ptr<State> state = state_;
  if (state->busy) co_return already_busy();
  const Busy busy(state->busy);
  if (state->stream) state->stream->close();
  state->stream.reset();
  const int generation = ++state->generation;
  Result<std::unique_ptr<Stream>> made = co_await state->connector->connect(deadline);
  if (generation != state->generation) {
    co_return fail(ErrorKind::cancelled, "the link was closed while connecting");
  }
  if (!made) co_return fail(std::move(made).error());
  state->stream = *std::move(made);
  co_return Result<void>{};
}

void StreamLink::close() {
  state_->drop();
}
bool StreamLink::is_open() const {
  return state_->stream && state_->stream->is_open();
}
const std::string& StreamLink::resource() const {
  return state_->resource;
}

}  // namespace nightbench::link
