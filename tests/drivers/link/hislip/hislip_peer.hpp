// The far side of a HiSLIP link as the link contract wants it: one byte stream a session. What the
// link writes can be read here (NL added at END), what is written here goes out as Data messages.
#pragma once

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/io_context.hpp>
#include <memory>
#include <string>

#include "drivers/link/hislip/channel.hpp"
#include "drivers/link/wake.hpp"

namespace nightbench::test {

class HislipPeer final : public link::Stream {
 public:
  using Channel = link::hislip::Channel;
  HislipPeer(std::shared_ptr<Channel> sync, std::shared_ptr<Channel> async, Clock& clock)
      : state_(std::make_shared<State>(std::move(sync), std::move(async), clock)) {
    boost::asio::co_spawn(clock.context(), serve_sync(state_), boost::asio::detached);
    boost::asio::co_spawn(clock.context(), serve_async(state_), boost::asio::detached);
  }
  ~HislipPeer() override { close(); }

  Awaitable<Result<std::string>> read_some(std::size_t most, TimePoint deadline) override {
    return take(state_, most, deadline);
  }
  Awaitable<Result<void>> write_all(std::string_view bytes, TimePoint deadline) override {
    return put(state_, std::string(bytes), deadline);
  }
  void close() override { state_->close(); }
  bool is_open() const override { return state_->sync->is_open(); }

 private:
  static constexpr std::size_t most_input = std::size_t{1} << 20;
  struct State {
    State(std::shared_ptr<Channel> its_sync, std::shared_ptr<Channel> its_async, Clock& clock)
        : sync(std::move(its_sync)), async(std::move(its_async)), changed(clock) {}
    void close() {
      sync->close();
      async->close();
      changed.ring();
    }
    std::shared_ptr<Channel> sync;
    std::shared_ptr<Channel> async;
    link::Wake changed;
    std::string input;
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

  static Awaitable<Result<void>> put(std::shared_ptr<State> state, std::string bytes,
                                     TimePoint deadline) {
    link::hislip::Header header;
    header.type = link::hislip::Type::data;
    header.parameter = link::hislip::any_message_id;
    co_return co_await state->sync->send(header, bytes, deadline);
  }

  static Awaitable<void> serve_sync(std::shared_ptr<State> state) {
    using link::hislip::Type;
    for (;;) {
      const Result<link::hislip::Header> header =
          co_await state->sync->read_header(TimePoint::max());
      if (!header) break;
      const bool data = header->type == Type::data || header->type == Type::data_end;
      while (data && state->sync->payload_left() > 0) {
        while (state->input.size() >= most_input) co_await state->changed.wait(TimePoint::max());
        const Result<std::string> bytes =
            co_await state->sync->read_payload(65536, TimePoint::max());
        if (!bytes) break;
        state->input += *bytes;
        state->changed.ring();
      }
      if (header->type == Type::data_end && !state->input.ends_with('\n')) state->input += '\n';
      state->changed.ring();
      if (header->type == Type::device_clear_complete) {
        link::hislip::Header answer;
        answer.type = Type::device_clear_acknowledge;
        co_await state->sync->send(answer, "", TimePoint::max());
      }
    }
    state->ended = true;
    state->close();
  }

  static Awaitable<void> serve_async(std::shared_ptr<State> state) {
    using link::hislip::Type;
    for (;;) {
      const Result<link::hislip::Message> message =
          co_await state->async->read_message(1024, TimePoint::max());
      if (!message) break;
      link::hislip::Header answer;
      std::string payload;
      switch (message->header.type) {
        case Type::async_maximum_message_size:
          answer.type = Type::async_maximum_message_size_response;
          payload = link::hislip::encode_size(std::size_t{1} << 16);
          break;
        case Type::async_status_query:
          answer.type = Type::async_status_response;
          break;
        case Type::async_device_clear:
          answer.type = Type::async_device_clear_acknowledge;
          break;
        default:
          answer.type = Type::error;
          break;
      }
      const Result<void> sent = co_await state->async->send(answer, payload, TimePoint::max());
      if (!sent) break;
    }
    state->close();
  }

  std::shared_ptr<State> state_;
};

}  // namespace nightbench::test
