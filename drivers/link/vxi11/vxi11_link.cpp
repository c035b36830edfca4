#include "drivers/link/vxi11/vxi11_link.hpp"

#include <algorithm>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/this_coro.hpp>
#include <utility>

#include "drivers/link/busy.hpp"
#include "drivers/link/vxi11/session.hpp"
#include "drivers/link/wake.hpp"

namespace nightbench::link {
namespace asio = boost::asio;
using vxi11::Procedure;
using vxi11::Session;

namespace {

constexpr std::size_t small_results = 64;
constexpr Duration goodbye_limit = std::chrono::seconds(1);
constexpr Duration longest_call = std::chrono::hours(1);
constexpr Duration answer_margin = std::chrono::milliseconds(50);

std::uint32_t milliseconds(Duration span) {
  const auto count = std::chrono::duration_cast<std::chrono::milliseconds>(span).count();
  return static_cast<std::uint32_t>(std::max<long long>(count, 0));
}

// Survives the link while the device is told that it ends.
struct Farewell {
  explicit Farewell(Clock& clock) : done(clock) {}
  Wake done;
  int pending = 0;
};

Awaitable<void> part(std::shared_ptr<Session> session, std::shared_ptr<Farewell> farewell,
                     TimePoint until) {
  co_await vxi11::say_goodbye(std::move(session), until);
  --farewell->pending;
  farewell->done.ring();
}

}  // namespace

struct Vxi11Link::State {
  State(Vxi11Resource its_resource, Clock& its_clock, Vxi11Options its_options)
      : resource(std::move(its_resource)),
        name(normalised(Resource(resource))),
        clock(its_clock),
        options(its_options),
        farewell(std::make_shared<Farewell>(its_clock)),
        closing(its_clock) {}

  // The times of one call. The device gives up before we do.
  struct Times {
    std::uint32_t io_ms = 0;
    std::uint32_t lock_ms = 0;
    std::uint32_t flags = 0;
  };
  Times times(TimePoint deadline) const {
    const Duration left = std::min<Duration>(deadline - clock.now(), longest_call);
    const Duration margin = std::min<Duration>(left / 4, answer_margin);
    const Duration lock = std::min<Duration>(options.wait_for_lock, left / 2);
    Times out;
    out.lock_ms = milliseconds(lock);
    // 0 means "no wait" to some devices and "for ever" to others.
    out.io_ms = std::max<std::uint32_t>(milliseconds(left - margin - lock), 1);
    if (out.lock_ms > 0) out.flags |= vxi11::flag::wait_lock;
    return out;
  }

  void drop() {
    ++generation;
    if (opening) opening->cancel();
    closing.ring();
    const std::shared_ptr<Session> old = std::exchange(session, nullptr);
    if (!old) return;
    if (busy || !old->core->is_open()) {
      // The pending call keeps the channel; the device frees its link when the connection breaks.
      old->close();
      return;
    }
    ++farewell->pending;
    asio::co_spawn(clock.context(), part(old, farewell, clock.now() + goodbye_limit),
                   asio::detached);
  }

  // After an operation: a broken connection is a closed link.
  void look_after(const std::shared_ptr<Session>& used) {
    if (session == used && !used->core->is_open()) {
      used->close();
      session.reset();
    }
  }

  Vxi11Resource resource;
  std::string name;
  Clock& clock;
  Vxi11Options options;
  std::shared_ptr<Farewell> farewell;
  Wake closing;
  std::shared_ptr<vxi11::Opening> opening;
  std::shared_ptr<Session> session;
  int generation = 0;  // counts connects and closes, so that a pending connect sees a close
  bool busy = false;

  // Waits out what is left after the device has given up.
  static Awaitable<Result<Chunk>> late(std::shared_ptr<State> state,
                                       std::shared_ptr<Session> session, TimePoint deadline) {
    while (state->session == session && state->clock.now() < deadline) {
      const Wake::Why why = co_await state->closing.wait(deadline);
      if (why == Wake::Why::stopped) co_return fail(ErrorKind::cancelled, "stopped while reading");
    }
    if (state->session != session) {
      co_return fail(ErrorKind::cancelled, "the link was closed while waiting");
    }
    co_return fail(ErrorKind::timeout, "nothing came before the deadline");
  }

  // The operations themselves; `session` is open and the caller has marked the link busy.
  static Awaitable<Result<void>> write(std::shared_ptr<State> state,
                                       std::shared_ptr<Session> session, std::string_view message,
                                       TimePoint deadline);
  static Awaitable<Result<Chunk>> read(std::shared_ptr<State> state,
                                       std::shared_ptr<Session> session, std::size_t most,
                                       TimePoint deadline);
  static Awaitable<Result<void>> clear(std::shared_ptr<State> state,
                                       std::shared_ptr<Session> session, TimePoint deadline);
  // readstb's relatives, all with the same arguments.
  static Awaitable<Result<void>> generic(std::shared_ptr<State> state, Procedure procedure,
                                         TimePoint deadline);
  std::string generic_arguments(const Session& used, TimePoint deadline) const {
    const Times times = this->times(deadline);
    vxi11::Generic arguments;
    arguments.link = used.link;
    arguments.flags = times.flags;
    arguments.lock_timeout_ms = times.lock_ms;
    arguments.io_timeout_ms = times.io_ms;
    return encode(arguments);
  }
};

Vxi11Link::Vxi11Link(Vxi11Resource resource, Clock& clock, Vxi11Options options)
    : state_(std::make_shared<State>(std::move(resource), clock, options)) {}

Vxi11Link::~Vxi11Link() {
  state_->drop();
}

Awaitable<Result<void>> Vxi11Link::State::write(std::shared_ptr<State> state,
                                                std::shared_ptr<Session> session,
                                                std::string_view message, TimePoint deadline) {
  const std::size_t piece = std::min(session->most_receive, state->options.most_at_once);
  do {
    const Times times = state->times(deadline);
    vxi11::Write arguments;
    arguments.link = session->link;
    arguments.io_timeout_ms = times.io_ms;
    arguments.lock_timeout_ms = times.lock_ms;
    arguments.data = message.substr(0, piece);
    arguments.flags = times.flags;
    if (arguments.data.size() == message.size()) arguments.flags |= vxi11::flag::end;
    const std::string encoded = encode(arguments);
    const Result<vxi11::RpcAnswer> answer = co_await session->core->call(
        static_cast<std::uint32_t>(Procedure::device_write), encoded, small_results, deadline);
    if (!answer) co_return fail(answer.error());
    const Result<vxi11::Written> written = vxi11::decode_written(answer->results());
    if (!written) co_return fail(written.error());
    if (written->error != vxi11::DeviceError::none) co_return vxi11::refusal(written->error);
    if (written->size > arguments.data.size() || (written->size == 0 && !message.empty())) {
      co_return fail(ErrorKind::bad_data, "VXI-11: the device took " +
                                              std::to_string(written->size) + " of " +
                                              std::to_string(arguments.data.size()) + " bytes");
    }
    message.remove_prefix(written->size);
  } while (!message.empty());
  co_return Result<void>{};
}

Awaitable<Result<Chunk>> Vxi11Link::State::read(std::shared_ptr<State> state,
                                                std::shared_ptr<Session> session, std::size_t most,
                                                TimePoint deadline) {
  const std::size_t size = std::clamp<std::size_t>(most, 1, state->options.most_at_once);
  for (;;) {
    const Times times = state->times(deadline);
    vxi11::Read arguments;
    arguments.link = session->link;
    arguments.size = static_cast<std::uint32_t>(size);
    arguments.io_timeout_ms = times.io_ms;
    arguments.lock_timeout_ms = times.lock_ms;
    arguments.flags = times.flags;
    const std::string encoded = encode(arguments);
    Result<vxi11::RpcAnswer> answer = co_await session->core->call(
        static_cast<std::uint32_t>(Procedure::device_read), encoded, size, deadline);
    if (!answer) co_return fail(std::move(answer).error());
    const Result<vxi11::ReadResult> result = vxi11::decode_read_result(answer->results(), size);
    if (!result) {
      session->close();
      co_return fail(result.error());
    }
    Chunk chunk;
    chunk.end = (result->reason & vxi11::reason::end) != 0;
    const bool timed_out = result->error == vxi11::DeviceError::io_timeout;
    if (result->error != vxi11::DeviceError::none && !timed_out) {
      co_return vxi11::refusal(result->error);
    }
    // A time-out brings what there was. With nothing, ask again: the device's time was shorter than
    // ours, and one that filled an empty buffer says no more than that.
    if (result->data.empty() && !chunk.end) {
      if (deadline - state->clock.now() > 2 * answer_margin) continue;
      co_return co_await late(state, session, deadline);
    }
    const auto start = static_cast<std::size_t>(result->data.data() - answer->record.data());
    const std::size_t length = result->data.size();
    chunk.bytes = std::move(answer->record);
    chunk.bytes.erase(start + length);
    chunk.bytes.erase(0, start);
    co_return chunk;
  }
}

Awaitable<Result<void>> Vxi11Link::State::clear(std::shared_ptr<State> state,
                                                std::shared_ptr<Session> session,
                                                TimePoint deadline) {
  if (session->core->owes_reply()) {
    // The device is busy with a call we gave up; a clear would queue up behind it.
    co_await vxi11::abort_call(session, deadline);
    Result<void> settled = co_await session->core->settle(deadline);
    if (!settled) co_return settled;
  }
  const std::string arguments = state->generic_arguments(*session, deadline);
  co_return co_await vxi11::simple_call(session, Procedure::device_clear, arguments, deadline);
}

Awaitable<Result<void>> Vxi11Link::State::generic(std::shared_ptr<State> state, Procedure procedure,
                                                  TimePoint deadline) {
  const std::shared_ptr<Session> session = state->session;
  if (state->busy) co_return already_busy();
  if (!session) co_return not_connected();
  const Busy busy(state->busy);
  std::string arguments;
  if (procedure == Procedure::device_lock) {
    vxi11::Lock lock;
    lock.link = session->link;
    lock.lock_timeout_ms = state->times(deadline).io_ms;
    lock.flags = vxi11::flag::wait_lock;
    arguments = encode(lock);
  } else if (procedure == Procedure::device_unlock) {
    arguments = vxi11::encode_link(session->link);
  } else {
    arguments = state->generic_arguments(*session, deadline);
  }
  Result<void> done = co_await vxi11::simple_call(session, procedure, arguments, deadline);
  state->look_after(session);
  co_return done;
}

Awaitable<Result<void>> Vxi11Link::write(std::string_view message, TimePoint deadline) {
  const std::shared_ptr<State> state = state_;
  const std::shared_ptr<Session> session = state->session;
  if (state->busy) co_return already_busy();
  if (!session) co_return not_connected();
  const Busy busy(state->busy);
  Result<void> done = co_await State::write(state, session, message, deadline);
  state->look_after(session);
  co_return done;
}

Awaitable<Result<Chunk>> Vxi11Link::read(std::size_t most, TimePoint deadline) {
  const std::shared_ptr<State> state = state_;
  const std::shared_ptr<Session> session = state->session;
  if (state->busy) co_return already_busy();
  if (!session) co_return not_connected();
  const Busy busy(state->busy);
  Result<Chunk> chunk = co_await State::read(state, session, most, deadline);
  state->look_after(session);
  co_return chunk;
}

Awaitable<Result<void>> Vxi11Link::clear(TimePoint deadline) {
  const std::shared_ptr<State> state = state_;
  const std::shared_ptr<Session> session = state->session;
  if (state->busy) co_return already_busy();
  if (!session) co_return not_connected();
  const Busy busy(state->busy);
  Result<void> done = co_await State::clear(state, session, deadline);
  state->look_after(session);
  co_return done;
}

Awaitable<Result<std::uint8_t>> Vxi11Link::status_byte(TimePoint deadline) {
  const std::shared_ptr<State> state = state_;
  const std::shared_ptr<Session> session = state->session;
  if (state->busy) co_return already_busy();
  if (!session) co_return not_connected();
  const Busy busy(state->busy);
  const std::string arguments = state->generic_arguments(*session, deadline);
  const Result<vxi11::RpcAnswer> answer = co_await session->core->call(
      static_cast<std::uint32_t>(Procedure::device_readstb), arguments, small_results, deadline);
  state->look_after(session);
  if (!answer) co_return fail(answer.error());
  const Result<vxi11::StatusByte> status = vxi11::decode_status_byte(answer->results());
  if (!status) co_return fail(status.error());
  if (status->error != vxi11::DeviceError::none) co_return vxi11::refusal(status->error);
  co_return status->byte;
}

Awaitable<Result<void>> Vxi11Link::connect(TimePoint deadline) {
  const std::shared_ptr<State> state = state_;
  if (state->busy) co_return already_busy();
  state->drop();
  const Busy busy(state->busy);
  const int generation = state->generation;
  // The device may have one link only: the old one must be gone.
  const std::shared_ptr<Farewell> farewell = state->farewell;
  while (farewell->pending > 0) {
    const Wake::Why why = co_await farewell->done.wait(deadline);
    if (generation != state->generation) co_return closed_while_connecting();
    if (why == Wake::Why::late) {
      co_return fail(ErrorKind::timeout, "the device did not let go of the earlier link in time");
    }
    if (why == Wake::Why::stopped) co_return closed_while_connecting();
  }
  const auto opening = std::make_shared<vxi11::Opening>();
  state->opening = opening;
  const State::Times times = state->times(deadline);
  vxi11::CreateLink wanted;
  wanted.client = 1;
  wanted.lock = state->options.lock;
  wanted.lock_timeout_ms = state->options.lock ? times.io_ms : 0;
  wanted.device = state->resource.device;
  const Result<std::shared_ptr<Session>> session = co_await vxi11::open_session(
      opening, state->resource, state->options.mapper_port, wanted, state->clock, deadline);
  if (state->opening == opening) state->opening.reset();
  if (generation != state->generation) {
    if (session) (*session)->close();
    co_return closed_while_connecting();
  }
  if (!session) co_return fail(session.error());
  state->session = *session;
  co_return Result<void>{};
}

void Vxi11Link::close() {
  state_->drop();
}
bool Vxi11Link::is_open() const {
  return state_->session && state_->session->core->is_open();
}
const std::string& Vxi11Link::resource() const {
  return state_->name;
}
std::size_t Vxi11Link::most_receive() const {
  return state_->session ? state_->session->most_receive : 0;
}

Awaitable<Result<void>> Vxi11Link::lock(TimePoint deadline) {
  return State::generic(state_, Procedure::device_lock, deadline);
}
Awaitable<Result<void>> Vxi11Link::unlock(TimePoint deadline) {
  return State::generic(state_, Procedure::device_unlock, deadline);
}
Awaitable<Result<void>> Vxi11Link::trigger(TimePoint deadline) {
  return State::generic(state_, Procedure::device_trigger, deadline);
}
Awaitable<Result<void>> Vxi11Link::remote(TimePoint deadline) {
  return State::generic(state_, Procedure::device_remote, deadline);
}
Awaitable<Result<void>> Vxi11Link::local(TimePoint deadline) {
  return State::generic(state_, Procedure::device_local, deadline);
}

}  // namespace nightbench::link
