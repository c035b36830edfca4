// The far side of a VXI-11 link as the link contract wants it: one byte stream a connection. What
// the link writes can be read here (NL added at END), what is written here the link reads. Closing
// waits until the link has fetched what was written: a device cannot push.
#pragma once

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/io_context.hpp>
#include <memory>
#include <string>

#include "drivers/link/stream.hpp"
#include "drivers/link/vxi11/messages.hpp"
#include "drivers/link/vxi11/rpc.hpp"
#include "drivers/link/wake.hpp"

namespace nightbench::test {

class Vxi11Peer final : public link::Stream {
 public:
  Vxi11Peer(std::unique_ptr<link::Stream> core, Clock& clock)
      : state_(std::make_shared<State>(std::move(core), clock)) {
    boost::asio::co_spawn(clock.context(), serve(state_), boost::asio::detached);
  }
  ~Vxi11Peer() override { close(); }

  Awaitable<Result<std::string>> read_some(std::size_t most, TimePoint deadline) override {
    return take(state_, most, deadline);
  }
  Awaitable<Result<void>> write_all(std::string_view bytes, TimePoint) override {
    state_->output += bytes;
    state_->changed.ring();
    co_return Result<void>{};
  }
  void close() override {
    state_->closing = true;
    if (state_->output.empty()) state_->core->close();
    state_->changed.ring();
  }
  bool is_open() const override { return state_->core->is_open(); }

 private:
  static constexpr std::uint32_t most_receive = 1U << 16;
  static constexpr std::size_t most_input = std::size_t{1} << 20;
  struct State {
    State(std::unique_ptr<link::Stream> its_core, Clock& its_clock)
        : core(std::move(its_core)), clock(its_clock), changed(its_clock) {}
    std::unique_ptr<link::Stream> core;
    Clock& clock;
    link::Wake changed;
    std::string input;
    std::string output;
    bool closing = false;
    bool ended = false;
  };

  static Awaitable<Result<std::string>> take(std::shared_ptr<State> state, std::size_t most,
                                             TimePoint deadline) {
    while (state->input.empty()) {
      if (state->ended) co_return fail(ErrorKind::refused, "the link has gone");
      const link::Wake::Why why = co_await state->changed.wait(deadline);
      if (why != link::Wake::Why::rung) co_return fail(ErrorKind::timeout, "nothing came");
    }
    std::string bytes = state->input.substr(0, most);
    state->input.erase(0, bytes.size());
    state->changed.ring();
    co_return bytes;
  }

  static Awaitable<void> serve(std::shared_ptr<State> state) {
    using namespace link::vxi11;
    RecordReader reader(std::size_t{1} << 20);
    for (;;) {
      const Result<std::string> bytes =
          co_await state->core->read_some(reader.wants(), TimePoint::max());
      if (!bytes || !reader.feed(*bytes)) break;
      if (!reader.done()) continue;
      const std::string message = reader.take();
      const Result<RpcCall> call = decode_call(message);
      if (!call) break;
      RpcReply reply;
      reply.xid = call->xid;
      const std::string results = co_await answer(state, *call);
      reply.results = results;
      const std::string out = record(encode(reply));
      const Result<void> sent = co_await state->core->write_all(out, TimePoint::max());
      if (!sent) break;
    }
    state->core->close();
    state->ended = true;
    state->changed.ring();
  }

  // Waits until `ready` or the milliseconds have passed.
  template <typename Ready>
  static Awaitable<bool> wait(std::shared_ptr<State> state, std::uint32_t timeout_ms, Ready ready) {
    const TimePoint until = state->clock.now() + std::chrono::milliseconds(timeout_ms);
    while (!ready(*state)) {
      const link::Wake::Why why = co_await state->changed.wait(until);
      if (why != link::Wake::Why::rung) co_return ready(*state);
    }
    co_return true;
  }

  static Awaitable<std::string> answer(std::shared_ptr<State> state, link::vxi11::RpcCall call) {
    using namespace link::vxi11;
    switch (static_cast<Procedure>(call.procedure)) {
      case Procedure::create_link: {
        CreatedLink made;
        made.link = 7;
        made.most_receive = most_receive;
        co_return encode(made);
      }
      case Procedure::device_write: {
        const Result<Write> write = decode_write(call.arguments, most_receive);
        if (!write) co_return encode(Written{DeviceError::parameter, 0});
        const auto has_room = [](const State& s) { return s.input.size() < most_input; };
        const bool room = co_await wait(state, write->io_timeout_ms, has_room);
        if (!room) co_return encode(Written{DeviceError::io_timeout, 0});
        state->input += write->data;
        if ((write->flags & flag::end) != 0 && !state->input.ends_with('\n')) state->input += '\n';
        state->changed.ring();
        co_return encode(
            Written{DeviceError::none, static_cast<std::uint32_t>(write->data.size())});
      }
      case Procedure::device_read: {
        const Result<Read> read = decode_read(call.arguments);
        if (!read) co_return encode(ReadResult{DeviceError::parameter, 0, {}});
        const auto has_output = [](const State& s) { return !s.output.empty() || s.closing; };
        const bool some = co_await wait(state, read->io_timeout_ms, has_output);
        if (!some) co_return encode(ReadResult{DeviceError::io_timeout, 0, {}});
        if (state->output.empty()) state->core->close();
        const std::string bytes = state->output.substr(0, read->size);
        state->output.erase(0, bytes.size());
        const bool full = bytes.size() == read->size;
        co_return encode(ReadResult{DeviceError::none, full ? reason::request_count : 0, bytes});
      }
      case Procedure::device_readstb:
        co_return encode(StatusByte{DeviceError::none, 0x10});
      case Procedure::device_clear:
        state->input.clear();
        state->output.clear();
        co_return encode_error(DeviceError::none);
      case Procedure::destroy_link:
        state->ended = true;
        state->changed.ring();
        co_return encode_error(DeviceError::none);
      default:
        co_return encode_error(DeviceError::not_supported);
    }
  }

  std::shared_ptr<State> state_;
};

}  // namespace nightbench::test
