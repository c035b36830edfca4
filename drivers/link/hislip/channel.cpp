#include "drivers/link/hislip/channel.hpp"

#include <algorithm>
#include <utility>

namespace nightbench::link::hislip {
namespace {

// One read from the socket; larger ones gain nothing.
constexpr std::size_t most_at_once = std::size_t{1} << 18;
// Shorter payloads go out in one piece with their header.
constexpr std::size_t small_payload = 4096;

}  // namespace

Awaitable<Result<void>> Channel::skip_payload(TimePoint deadline) {
  while (left_ > 0) {
    const Result<std::string> bytes = co_await read_payload(most_at_once, deadline);
    if (!bytes) co_return fail(bytes.error());
  }
  co_return Result<void>{};
}

Awaitable<Result<Header>> Channel::read_header(TimePoint deadline) {
  const Result<void> skipped = co_await skip_payload(deadline);
  if (!skipped) co_return fail(skipped.error());
  while (header_.size() < header_size) {
    const Result<std::string> bytes =
        co_await stream_->read_some(header_size - header_.size(), deadline);
    if (!bytes) co_return fail(bytes.error());
    header_ += *bytes;
  }
  const Result<Header> header = decode_header(header_);
  header_.clear();
  if (!header)
    stream_->close();
  else
    left_ = header->payload;
  co_return header;
}

Awaitable<Result<std::string>> Channel::read_payload(std::size_t most, TimePoint deadline) {
  const std::uint64_t bound = std::min<std::uint64_t>({left_, most, most_at_once});
  Result<std::string> bytes =
      co_await stream_->read_some(static_cast<std::size_t>(bound), deadline);
  if (bytes) left_ -= bytes->size();
  co_return bytes;
}

Awaitable<Result<Message>> Channel::read_message(std::size_t most, TimePoint deadline) {
  if (!in_message_) {
    const Result<Header> header = co_await read_header(deadline);
    if (!header) co_return fail(header.error());
    current_ = *header;
    payload_.clear();
    if (current_.payload > most) {
      co_return fail(ErrorKind::bad_data, std::string("HiSLIP: ") + name(current_.type) + " with " +
                                              std::to_string(current_.payload) +
                                              " bytes, at most " + std::to_string(most) +
                                              " expected");
    }
    in_message_ = true;
  }
  while (left_ > 0) {
    const Result<std::string> bytes = co_await read_payload(most, deadline);
    if (!bytes) co_return fail(bytes.error());
    payload_ += *bytes;
  }
  in_message_ = false;
  Message message;
  message.header = current_;
  message.payload = std::move(payload_);
  payload_.clear();
  co_return message;
}

Awaitable<Result<void>> Channel::send(Header header, std::string_view payload, TimePoint deadline) {
  header.payload = payload.size();
  const bool small = payload.size() <= small_payload;
  std::string first;
  if (small) {
    first = encode(header, payload);
  } else {
    const HeaderBytes bytes = encode(header);
    first.assign(bytes.data(), bytes.size());
  }
  Result<void> sent = co_await stream_->write_all(first, deadline);
  if (sent && !small) sent = co_await stream_->write_all(payload, deadline);
  if (!sent) stream_->close();
  co_return sent;
}

}  // namespace nightbench::link::hislip
