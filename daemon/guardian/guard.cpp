#include "daemon/guardian/guard.hpp"

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/local/stream_protocol.hpp>
#include <boost/asio/read_until.hpp>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <boost/asio/write.hpp>
#include <deque>

#include "daemon/guardian/spawn.hpp"
#include "drivers/link/wake.hpp"

namespace nightbench::guardian {
namespace asio = boost::asio;
using Socket = asio::local::stream_protocol::socket;

namespace {

constexpr Duration kForAWord = std::chrono::seconds(10);
// It tries the instruments itself and tells what they said; this is for one that says nothing.
constexpr Duration kForReady = std::chrono::seconds(60);
constexpr std::size_t kLongestLine = 65'536;

}  // namespace

struct Guard::State {
  State(Clock& on, int descriptor, int child)
      : clock(on), socket(on.context(), asio::local::stream_protocol(), descriptor), pid(child),
        heard(on) {}

  Clock& clock;
  Socket socket;
  int pid;
  link::Wake heard;
  std::deque<std::string> words;
  Duration beat_every{};
  std::unique_ptr<Alarm> beats;
  std::function<void()> on_lost;
  bool over = false;  // we have let it go
  bool lost = false;

  // A few bytes into a local socket that the other side reads: it has room, or the other side has
  // been silent for so long that it is as good as gone.
  void say(const std::string& word) {
    if (over || lost) return;
    boost::system::error_code failed;
    asio::write(socket, asio::buffer(word + "\n"), failed);
    if (failed) lose();
  }

  void lose() {
    if (over || lost) return;
    lost = true;
    beats.reset();
    heard.ring();
    if (on_lost) on_lost();
  }

  void close() {
    over = true;
    beats.reset();
    boost::system::error_code ignored;  // closing is final either way
    socket.close(ignored);
    reap_ended();
  }

  static void beat(const std::shared_ptr<State>& self) {
    self->say("beat");
    if (self->lost || self->over) return;
    const std::weak_ptr<State> weak = self;
    self->beats = self->clock.arm(self->clock.now() + self->beat_every, [weak] {
      if (const auto state = weak.lock()) beat(state);
    });
  }

  static Awaitable<void> listen(std::shared_ptr<State> self) {
    std::string bytes;
    boost::system::error_code failed;
    while (!failed) {
      const std::size_t size =
          co_await asio::async_read_until(self->socket, asio::dynamic_buffer(bytes, kLongestLine),
                                          '\n', asio::redirect_error(asio::use_awaitable, failed));
      if (failed) break;
      self->words.push_back(bytes.substr(0, size - 1));
      bytes.erase(0, size);
      self->heard.ring();
    }
    self->lose();
  }

  static Awaitable<Result<std::string>> next_word(std::shared_ptr<State> self, Duration most) {
    const TimePoint deadline = self->clock.now() + most;
    while (self->words.empty()) {
      if (self->lost) {
        co_return fail(ErrorKind::refused, "the guardian has ended, so no output is enabled");
      }
      const link::Wake::Why why = co_await self->heard.wait(deadline);
      if (why == link::Wake::Why::rung) continue;
      if (why == link::Wake::Why::stopped) co_return fail(ErrorKind::cancelled, "cancelled");
      co_return fail(ErrorKind::timeout, "the guardian does not answer, so no output is enabled");
    }
    std::string word = std::move(self->words.front());
    self->words.pop_front();
    co_return word;
  }
};

Awaitable<Result<std::unique_ptr<Guard>>> Guard::start(Clock& clock, std::filesystem::path program,
                                                       Order order) {
  CO_TRY_ASSIGN(const Child child, spawn(program));
  const auto state = std::make_shared<State>(clock, child.socket, child.pid);
  std::unique_ptr<Guard> guard(new Guard(state));
  state->socket.non_blocking(true);
  state->beat_every = order.watchdog / 4;
  asio::co_spawn(clock.context(), State::listen(state), asio::detached);
  state->say(order_line(order));
  const Result<std::string> word = co_await State::next_word(state, kForReady);
  if (!word) co_return fail(word.error());
  constexpr std::string_view kRefused = "refused ";
  if (word->starts_with(kRefused)) {
    Error error = read_refusal(std::string_view(*word).substr(kRefused.size()));
    error.message += "; the guardian could not take its post, so no output is enabled";
    co_return fail(std::move(error));
  }
  if (*word != "ready") {
    co_return fail(ErrorKind::internal, "the guardian says '" + excerpt(*word) + "'");
  }
  co_return guard;
}

Guard::~Guard() {
  if (!state_->over) state_->close();
}

void Guard::on_lost(std::function<void()> lost) {
  state_->on_lost = std::move(lost);
  if (state_->lost && state_->on_lost) state_->on_lost();
}

Awaitable<Result<void>> Guard::arm() {
  const std::shared_ptr<State> state = state_;
  state->say("arm");
  CO_TRY_ASSIGN(const std::string word, co_await State::next_word(state, kForAWord));
  if (word != "armed") {
    co_return fail(ErrorKind::internal, "the guardian says '" + excerpt(word) + "'");
  }
  State::beat(state);
  co_return Result<void>();
}

void Guard::rest() {
  state_->beats.reset();
  state_->say("rest");
}

void Guard::goodbye() {
  state_->say("goodbye");
  state_->close();
}

bool Guard::is_lost() const {
  return state_->lost;
}

int Guard::pid() const {
  return state_->pid;
}

}  // namespace nightbench::guardian
