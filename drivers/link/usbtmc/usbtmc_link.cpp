#include "drivers/link/usbtmc/usbtmc_link.hpp"

#include <utility>

#include "drivers/link/busy.hpp"

namespace nightbench::link {
using usbtmc::Session;

struct UsbtmcLink::State {
  State(UsbResource its_resource, Clock& its_clock, std::unique_ptr<usbtmc::Plug> its_plug,
        usbtmc::Options its_options)
      : resource(std::move(its_resource)),
        name(normalised(Resource(resource))),
        clock(its_clock),
        plug(std::move(its_plug)),
        options(its_options) {}

  void drop() {
    ++generation;
    plug->cancel();
    if (opening) opening->close();
    opening.reset();
    if (session) session->close();
    session.reset();
  }
  // After an operation that failed: a device that has gone is a closed link.
  void look_after(const std::shared_ptr<Session>& used) {
    if (session == used && !used->is_open()) session.reset();
  }

  UsbResource resource;
  std::string name;
  Clock& clock;
  std::unique_ptr<usbtmc::Plug> plug;
  usbtmc::Options options;
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
    if (!done) state->look_after(session);
    co_return done;
  }
};

UsbtmcLink::UsbtmcLink(UsbResource resource, Clock& clock, std::unique_ptr<usbtmc::Plug> plug,
                       usbtmc::Options options)
    : state_(std::make_shared<State>(std::move(resource), clock, std::move(plug), options)) {}

UsbtmcLink::~UsbtmcLink() {
  state_->drop();
}

Awaitable<Result<void>> UsbtmcLink::State::open(std::shared_ptr<State> state, int generation,
                                                TimePoint deadline) {
  const Result<std::shared_ptr<usbtmc::Pipes>> pipes =
      co_await state->plug->open(state->resource, deadline);
  if (generation != state->generation) {
    if (pipes) (*pipes)->close();
    co_return closed_while_connecting();
  }
  if (!pipes) co_return fail(pipes.error());
  const auto session = std::make_shared<Session>(*pipes, state->clock, state->options);
  state->opening = session;
  const Result<void> begun = co_await session->begin(deadline);
  if (generation != state->generation) co_return closed_while_connecting();
  if (!begun) co_return fail(begun.error());
  state->session = session;
  co_return Result<void>{};
}

Awaitable<Result<void>> UsbtmcLink::connect(TimePoint deadline) {
  const std::shared_ptr<State> state = state_;
  if (state->busy) co_return already_busy();
  state->drop();
  const Busy busy(state->busy);
  const int generation = state->generation;
  Result<void> done = co_await State::open(state, generation, deadline);
  if (generation != state->generation) co_return closed_while_connecting();
  if (!done && state->opening) state->opening->close();
  state->opening.reset();
  co_return done;
}

Awaitable<Result<void>> UsbtmcLink::write(std::string_view message, TimePoint deadline) {
  return State::run(state_, &Session::write, message, deadline);
}
Awaitable<Result<Chunk>> UsbtmcLink::read(std::size_t most, TimePoint deadline) {
  return State::run(state_, &Session::read, most, deadline);
}
Awaitable<Result<void>> UsbtmcLink::clear(TimePoint deadline) {
  return State::run(state_, &Session::clear, deadline);
}
Awaitable<Result<std::uint8_t>> UsbtmcLink::status_byte(TimePoint deadline) {
  return State::run(state_, &Session::status, deadline);
}
Awaitable<Result<void>> UsbtmcLink::trigger(TimePoint deadline) {
  return State::run(state_, &Session::trigger, deadline);
}
Awaitable<Result<void>> UsbtmcLink::remote(bool on, TimePoint deadline) {
  const usbtmc::Request request = on ? usbtmc::Request::ren_control : usbtmc::Request::go_to_local;
  return State::run(state_, &Session::remote_local, request, on, deadline);
}
Awaitable<Result<void>> UsbtmcLink::local_lockout(TimePoint deadline) {
  return State::run(state_, &Session::remote_local, usbtmc::Request::local_lockout, true, deadline);
}

void UsbtmcLink::close() {
  state_->drop();
}
bool UsbtmcLink::is_open() const {
  return state_->session && state_->session->is_open();
}
const std::string& UsbtmcLink::resource() const {
  return state_->name;
}
std::optional<std::uint8_t> UsbtmcLink::take_service_request() {
  if (!state_->session) return std::nullopt;
  return state_->session->take_service_request();
}
std::optional<usbtmc::Capabilities> UsbtmcLink::capabilities() const {
  if (!state_->session) return std::nullopt;
  return state_->session->capabilities();
}
void UsbtmcLink::use(usbtmc::Options options) {
  state_->options = options;
}

}  // namespace nightbench::link
