#include "drivers/link/hislip/hislip_link.hpp"

#include <utility>

#include "drivers/link/busy.hpp"
#include "drivers/link/hislip/session.hpp"
#include "drivers/link/tcp.hpp"

namespace nightbench::link {
using hislip::Session;

struct HislipLink::State {
  State(HislipResource its_resource, Clock& its_clock, HislipOptions its_options)
      : resource(std::move(its_resource)),
        name(normalised(Resource(resource))),
        clock(its_clock),
        options(its_options),
        connector(tcp_connector(resource.host, resource.port, clock)) {}

  void drop() {
    ++generation;
    connector->cancel();
    if (opening) opening->close();
    opening.reset();
    if (session) session->close();
    session.reset();
  }
  // After an operation: a broken connection is a closed link.
  void look_after(const std::shared_ptr<Session>& used) {
    if (session == used && !used->is_open()) {
      used->close();
      session.reset();
    }
  }

  HislipResource resource;
  std::string name;
  Clock& clock;
  HislipOptions options;
  std::unique_ptr<Connector> connector;
  std::shared_ptr<Session> opening;
  std::shared_ptr<Session> session;
  int generation = 0;  // counts connects and closes, so that a pending connect sees a close
  bool busy = false;

  static Awaitable<Result<void>> open(std::shared_ptr<State> state, int generation,
                                      TimePoint deadline);
  // One operation on the session, with what every operation has around it.
  template <typename T, typename... Arguments>
  static Awaitable<Result<T>> run(std::shared_ptr<State> state,
                                  Awaitable<Result<T>> (Session::*operation)(Arguments...),
                                  Arguments... arguments) {
    const std::shared_ptr<Session> session = state->session;
    if (state->busy) co_return already_busy();
    if (!session) co_return not_connected();
    const Busy busy(state->busy);
    Result<T> done = co_await ((*session).*operation)(std::move(arguments)...);
    state->look_after(session);
    co_return done;
  }
};

HislipLink::HislipLink(HislipResource resource, Clock& clock, HislipOptions options)
    : state_(std::make_shared<State>(std::move(resource), clock, options)) {}

HislipLink::~HislipLink() {
  state_->drop();
}

Awaitable<Result<void>> HislipLink::State::open(std::shared_ptr<State> state, int generation,
                                                TimePoint deadline) {
  Result<std::unique_ptr<Stream>> sync = co_await state->connector->connect(deadline);
  if (generation != state->generation) co_return closed_while_connecting();
  if (!sync) co_return fail(std::move(sync).error());
  const auto session =
      std::make_shared<Session>(*std::move(sync), state->clock, state->options.check_message_ids);
  state->opening = session;
  const Result<void> begun =
      co_await session->initialize(state->resource.device, state->options.version, deadline);
  if (generation != state->generation) co_return closed_while_connecting();
  if (!begun) co_return fail(begun.error());
  Result<std::unique_ptr<Stream>> async = co_await state->connector->connect(deadline);
  if (generation != state->generation) co_return closed_while_connecting();
  if (!async) co_return fail(std::move(async).error());
  const Result<void> done =
      co_await session->initialize_async(*std::move(async), state->options.most_message, deadline);
  if (generation != state->generation) co_return closed_while_connecting();
  if (!done) co_return fail(done.error());
  const std::optional<bool> wish = state->options.overlap;
  if (wish && *wish != session->terms().overlap) {
    const Result<void> changed = co_await session->clear(wish, deadline);
    if (generation != state->generation) co_return closed_while_connecting();
    if (!changed) co_return fail(changed.error());
  }
  state->session = session;
  co_return Result<void>{};
}

Awaitable<Result<void>> HislipLink::connect(TimePoint deadline) {
  const std::shared_ptr<State> state = state_;
  if (state->busy) co_return already_busy();
  if (!state->resource.credential.empty()) {
    co_return fail(ErrorKind::bad_input,
                   "'" + state->name + "' asks for an encrypted connection, which is not served");
  }
  state->drop();
  const Busy busy(state->busy);
  const int generation = state->generation;
  Result<void> done = co_await State::open(state, generation, deadline);
  if (generation != state->generation) co_return closed_while_connecting();
  if (!done && state->opening) state->opening->close();
  state->opening.reset();
  co_return done;
}

Awaitable<Result<void>> HislipLink::write(std::string_view message, TimePoint deadline) {
  return State::run(state_, &Session::write, message, deadline);
}
Awaitable<Result<Chunk>> HislipLink::read(std::size_t most, TimePoint deadline) {
  return State::run(state_, &Session::read, most, deadline);
}
Awaitable<Result<void>> HislipLink::clear(TimePoint deadline) {
  return State::run(state_, &Session::clear, state_->options.overlap, deadline);
}
Awaitable<Result<std::uint8_t>> HislipLink::status_byte(TimePoint deadline) {
  return State::run(state_, &Session::status, deadline);
}
Awaitable<Result<void>> HislipLink::lock(std::string_view shared_by, TimePoint deadline) {
  return State::run(state_, &Session::lock, std::string(shared_by), deadline);
}
Awaitable<Result<void>> HislipLink::unlock(TimePoint deadline) {
  return State::run(state_, &Session::unlock, deadline);
}
Awaitable<Result<void>> HislipLink::trigger(TimePoint deadline) {
  return State::run(state_, &Session::trigger, deadline);
}
Awaitable<Result<void>> HislipLink::remote_local(std::uint8_t code, TimePoint deadline) {
  return State::run(state_, &Session::remote_local, code, deadline);
}

void HislipLink::close() {
  state_->drop();
}
bool HislipLink::is_open() const {
  return state_->session && state_->session->is_open();
}
const std::string& HislipLink::resource() const {
  return state_->name;
}
bool HislipLink::overlap() const {
  return state_->session && state_->session->terms().overlap;
}
std::uint16_t HislipLink::version() const {
  return state_->session ? state_->session->terms().version : std::uint16_t{0};
}
std::uint64_t HislipLink::server_most_message() const {
  return state_->session ? state_->session->terms().server_most_message : 0;
}
std::optional<std::uint8_t> HislipLink::take_service_request() {
  if (!state_->session) return std::nullopt;
  return state_->session->take_service_request();
}

}  // namespace nightbench::link
