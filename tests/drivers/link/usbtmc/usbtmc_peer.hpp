// The far side of a USBTMC link as the link contract wants it: one byte stream a connection. What
// the link writes can be read here (NL added at END), what is written here is the next answer.
#pragma once

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/io_context.hpp>
#include <memory>
#include <string>

#include "drivers/link/stream.hpp"
#include "drivers/link/wake.hpp"
#include "mock_instruments/transport/usbtmc_function.hpp"

namespace nightbench::test {

class UsbtmcPeer final : public link::Stream {
 public:
  struct State final : mock::transport::UsbtmcOwner {
    explicit State(Clock& its_clock, mock::transport::UsbIdentity identity)
        : clock(its_clock), changed(its_clock), function(*this, std::move(identity)) {}
    bool wants_more() override { return input.size() < most_input; }
    void take(std::string_view bytes, bool end) override {
      input += bytes;
      if (end && !input.ends_with('\n')) input += '\n';
      changed.ring();
    }
    std::uint8_t status_byte(bool) override { return 0; }
    void end() {
      ended = true;
      changed.ring();
    }
    Clock& clock;
    link::Wake changed;
    mock::transport::UsbtmcFunction function;
    std::string input;
    bool ended = false;
    bool closed = false;
  };

  explicit UsbtmcPeer(std::shared_ptr<State> state) : state_(std::move(state)) {}
  ~UsbtmcPeer() override { close(); }

  Awaitable<Result<std::string>> read_some(std::size_t most, TimePoint deadline) override {
    return take(state_, most, deadline);
  }
  Awaitable<Result<void>> write_all(std::string_view bytes, TimePoint) override {
    state_->function.say(bytes, false);
    co_return Result<void>{};
  }
  // Unplugs the device once what it said has left it.
  void close() override {
    if (std::exchange(state_->closed, true)) return;
    boost::asio::co_spawn(state_->clock.context(), leave(state_), boost::asio::detached);
  }
  bool is_open() const override { return !state_->ended; }

 private:
  static constexpr std::size_t most_input = std::size_t{1} << 20;

  static Awaitable<Result<std::string>> take(std::shared_ptr<State> state, std::size_t most,
                                             TimePoint deadline) {
    while (state->input.empty()) {
      if (state->ended) co_return fail(ErrorKind::refused, "the link has gone");
      const link::Wake::Why why = co_await state->changed.wait(deadline);
      if (why != link::Wake::Why::rung) co_return fail(ErrorKind::timeout, "nothing came");
    }
    std::string bytes = state->input.substr(0, most);
    state->input.erase(0, bytes.size());
    state->function.room();
    co_return bytes;
  }

  static Awaitable<void> leave(std::shared_ptr<State> state) {
    while (!state->ended && !state->function.is_quiet()) {
      co_await sleep_for(state->clock, std::chrono::milliseconds(1));
    }
    state->function.unplug();
    state->end();
  }

  std::shared_ptr<State> state_;
};

}  // namespace nightbench::test
