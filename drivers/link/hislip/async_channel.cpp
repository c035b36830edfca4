#include "drivers/link/hislip/async_channel.hpp"

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/io_context.hpp>
#include <utility>

namespace nightbench::link::hislip {
namespace asio = boost::asio;

namespace {

// The longest thing this channel brings is an error's text.
constexpr std::size_t most_payload = 65'536;

std::size_t index(Type type) {
  return static_cast<std::size_t>(type);
}

}  // namespace

AsyncChannel::AsyncChannel(std::unique_ptr<Stream> stream, Clock& clock)
    : channel_(std::move(stream)), news_(clock) {}

void AsyncChannel::start(std::function<void(const Error&)> ended) {
  ended_ = std::move(ended);
  const std::shared_ptr<AsyncChannel> self = shared_from_this();
  asio::co_spawn(self->news_.clock().context(), read_all(self), asio::detached);
}

void AsyncChannel::close() {
  closed_ = true;
  ended_ = nullptr;
  channel_.close();
  news_.ring();
}

Awaitable<void> AsyncChannel::read_all(std::shared_ptr<AsyncChannel> self) {
  for (;;) {
    Result<Message> message = co_await self->channel_.read_message(most_payload, TimePoint::max());
    std::optional<Error> end;
    if (!message) {
      end = std::move(message).error();
    } else if (message->header.type == Type::fatal_error) {
      end = Error();
      end->kind = ErrorKind::refused;
      end->message = "HiSLIP: " + describe_fatal(message->header.control);
      if (!message->payload.empty()) end->message += ": " + excerpt(message->payload);
    }
    if (self->closed_) co_return;
    if (end) {
      self->channel_.close();
      if (self->expected_) self->response_ = fail(*end);
      const auto ended = std::exchange(self->ended_, nullptr);
      if (ended) ended(*end);
      self->news_.ring();
      co_return;
    }
    self->take(*std::move(message));
    self->news_.ring();
  }
}

void AsyncChannel::take(Message message) {
  const Type type = message.header.type;
  if (type == Type::async_interrupted) {
    ++interruptions_;
  } else if (type == Type::async_service_request) {
    service_request_ = message.header.control;
  } else if (owed_[index(type)] > 0) {
    --owed_[index(type)];
  } else if (type == Type::error) {
    std::string text = "HiSLIP: " + describe_error(message.header.control);
    if (!message.payload.empty()) text += ": " + excerpt(message.payload);
    if (expected_) response_ = fail(ErrorKind::refused, std::move(text));
  } else if (expected_ == type) {
    response_ = std::move(message);
  }
  // Anything else is nobody's: responses nobody asked for change nothing.
}

Awaitable<Result<Message>> AsyncChannel::request(Header header, std::string payload, Type response,
                                                 TimePoint deadline) {
  const std::shared_ptr<AsyncChannel> self = shared_from_this();
  expected_ = response;
  response_.reset();
  Result<void> sent = co_await channel_.send(header, payload, deadline);
  if (!sent) {
    expected_.reset();
    co_return fail(std::move(sent).error());
  }
  for (;;) {
    if (response_) {
      expected_.reset();
      Result<Message> out = *std::exchange(response_, std::nullopt);
      co_return out;
    }
    if (closed_) co_return fail(ErrorKind::cancelled, "the link was closed while waiting");
    const Wake::Why why = co_await news_.wait(deadline);
    if (why == Wake::Why::rung || response_) continue;
    expected_.reset();
    ++owed_[index(response)];
    if (why == Wake::Why::stopped) co_return fail(ErrorKind::cancelled, "stopped while waiting");
    co_return fail(ErrorKind::timeout,
                   std::string("HiSLIP: no ") + name(response) + " before the deadline");
  }
}

std::optional<std::uint8_t> AsyncChannel::take_service_request() {
  return std::exchange(service_request_, std::nullopt);
}

}  // namespace nightbench::link::hislip
