#include "mock_instruments/transport/hislip_session.hpp"

#include <algorithm>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/io_context.hpp>
#include <utility>

namespace nightbench::mock::transport {
namespace asio = boost::asio;
using namespace link::hislip;

namespace {

constexpr std::size_t most_control_payload = 65'536;
constexpr std::size_t most_at_once = std::size_t{1} << 18;
// Messages that wait for the device; more wait in the client's socket.
constexpr std::size_t most_inputs = 8;
constexpr std::uint64_t least_client_message = header_size + 1;

Header header_of(Type type, std::uint8_t control = 0, std::uint32_t parameter = 0) {
  Header header;
  header.type = type;
  header.control = control;
  header.parameter = parameter;
  return header;
}

}  // namespace

bool HislipLock::holds(std::uint16_t session) const {
  return exclusive_ == session ||
         std::find(shared_.begin(), shared_.end(), session) != shared_.end();
}

bool HislipLock::can_take(std::uint16_t session, const std::string& shared_by) const {
  const bool others_share = shared_.size() > (holds(session) && exclusive_ != session ? 1U : 0U);
  if (shared_by.empty()) return !exclusive_ && !others_share;
  return !exclusive_ && (shared_.empty() || string_ == shared_by);
}

void HislipLock::take(std::uint16_t session, const std::string& shared_by) {
  if (shared_by.empty()) {
    exclusive_ = session;
  } else {
    string_ = shared_by;
    shared_.push_back(session);
  }
}

std::uint8_t HislipLock::release(std::uint16_t session) {
  std::uint8_t result = 3;
  if (exclusive_ == session) {
    exclusive_.reset();
    result = 1;
  } else if (std::erase(shared_, session) > 0) {
    result = 2;
  }
  changed.ring();
  return result;
}

bool HislipLock::bars(std::uint16_t session) const {
  if (exclusive_) return exclusive_ != session;
  return !shared_.empty() && !holds(session);
}

HislipSession::HislipSession(std::uint16_t id, std::shared_ptr<Device> device,
                             std::shared_ptr<HislipLock> lock, const HislipServerOptions& options,
                             Clock& clock)
    : id_(id),
      device_(std::move(device)),
      lock_(std::move(lock)),
      options_(options),
      clock_(clock),
      changed_(clock),
      overlap_(options.prefer_overlap) {}

void HislipSession::start_sync(std::shared_ptr<Channel> channel, std::function<void()> ended) {
  sync_ = std::move(channel);
  ended_ = std::move(ended);
  asio::co_spawn(clock_.context(), read_sync(shared_from_this()), asio::detached);
  asio::co_spawn(clock_.context(), work(shared_from_this()), asio::detached);
}

void HislipSession::start_async(std::shared_ptr<Channel> channel) {
  async_ = std::move(channel);
  asio::co_spawn(clock_.context(), read_async(shared_from_this()), asio::detached);
}

void HislipSession::close() {
  if (!std::exchange(open_, false)) return;
  if (sync_) sync_->close();
  if (async_) async_->close();
  // What the device does for nobody would keep others waiting.
  if (taking_) device_->device_clear();
  lock_->release(id_);
  changed_.ring();
  const auto ended = std::exchange(ended_, nullptr);
  if (ended) ended();
}

Awaitable<void> HislipSession::die(Fatal code, std::string text) {
  const std::shared_ptr<HislipSession> self = shared_from_this();
  const Header header = header_of(Type::fatal_error, static_cast<std::uint8_t>(code));
  co_await send(false, header, text);
  if (async_) co_await send(true, header, text);
  close();
}

Awaitable<bool> HislipSession::send(bool async, Header header, std::string_view payload) {
  bool& busy = sending_[async ? 1 : 0];
  while (busy && open_) co_await changed_.wait(TimePoint::max());
  const std::shared_ptr<Channel> channel = async ? async_ : sync_;
  if (!open_ || !channel) co_return false;
  busy = true;
  const Result<void> sent = co_await channel->send(header, payload, TimePoint::max());
  busy = false;
  changed_.ring();
  if (!sent) close();
  co_return sent.has_value();
}

// ---- the synchronous channel ----

Awaitable<void> HislipSession::read_sync(std::shared_ptr<HislipSession> self) {
  while (self->open_) {
    if (self->inputs_.size() >= most_inputs && !self->clearing_) {
      co_await self->changed_.wait(TimePoint::max());
      continue;
    }
    const Result<Header> header = co_await self->sync_->read_header(TimePoint::max());
    if (!header) {
      if (header.error().kind == ErrorKind::bad_data && self->async_) {
        const Header fatal =
            header_of(Type::fatal_error, static_cast<std::uint8_t>(Fatal::bad_header));
        co_await self->send(true, fatal, "poorly formed header");
      }
      break;
    }
    const bool more = co_await self->take_sync(*header);
    if (!more) break;
  }
  self->close();
}

// The rules that every Data, DataEnd and Trigger obeys (clause 3.1).
void HislipSession::note_message(const Header& header) {
  last_id_ = header.parameter;
  const bool delivered = (header.control & rmt_delivered) != 0;
  const bool unfinished = output_ && !rmt_expected_;  // its end has not been sent yet
  if (!overlap_ && (unfinished || delivered != rmt_expected_)) {
    device_->interrupted();
    if (output_) void_output_ = true;
  }
  rmt_expected_ = false;
}

Awaitable<bool> HislipSession::take_sync(Header header) {
  if (header.type == Type::device_clear_complete) co_return co_await finish_clear(header);
  if (clearing_) co_return true;  // skipped with its payload
  if (!async_) {
    co_await die(Fatal::channels_not_established, "both channels first");
    co_return false;
  }
  switch (header.type) {
    case Type::data:
    case Type::data_end:
      co_return co_await take_data(header);
    case Type::trigger: {
      note_message(header);
      Input input;
      input.id = header.parameter;
      input.trigger = true;
      inputs_.push_back(std::move(input));
      changed_.ring();
      co_return true;
    }
    case Type::fatal_error:
      co_return false;
    case Type::error:
      co_return true;
    default:
      break;
  }
  const Header error = header_of(Type::error, static_cast<std::uint8_t>(NonFatal::unknown_type));
  co_return co_await send(false, error, "unknown message type");
}

Awaitable<bool> HislipSession::take_data(Header header) {
  if (header.payload + header_size > options_.most_message) {
    const Header error = header_of(Type::error, static_cast<std::uint8_t>(NonFatal::too_large));
    co_return co_await send(false, error, "message too large");
  }
  note_message(header);
  const std::uint64_t clears = clears_;
  partial_id_ = header.parameter;
  while (sync_->payload_left() > 0) {
    const Result<std::string> bytes = co_await sync_->read_payload(most_at_once, TimePoint::max());
    if (!bytes) co_return false;
    if (clears != clears_) continue;  // read to its end and dropped
    if (partial_.size() + bytes->size() > options_.most_input) {
      partial_.clear();
      discarding_ = true;
    }
    if (!discarding_) partial_ += *bytes;
  }
  const bool whole = header.type == Type::data_end || ends_by_itself(partial_);
  if (!whole || clears != clears_) co_return true;
  if (std::exchange(discarding_, false)) {
    device_->overrun();
    co_return true;
  }
  for (std::string& each : program_messages(std::exchange(partial_, {}))) {
    Input input;
    input.message = std::move(each);
    input.id = header.parameter;
    inputs_.push_back(std::move(input));
  }
  changed_.ring();
  co_return true;
}

Awaitable<bool> HislipSession::finish_clear(Header header) {
  if (!clearing_) {
    const Header error = header_of(Type::error, static_cast<std::uint8_t>(NonFatal::unidentified));
    co_return co_await send(false, error, "no device clear is under way");
  }
  // The message under way on this channel must end first; the client reads it away.
  while (sending_[0] && open_) co_await changed_.wait(TimePoint::max());
  if (!open_) co_return false;
  overlap_ = (header.control & prefer_overlap) != 0;
  partial_.clear();
  discarding_ = false;
  inputs_.clear();
  last_id_ = 0;
  next_id_ = first_message_id;
  rmt_expected_ = false;
  clearing_ = false;
  const Header done =
      header_of(Type::device_clear_acknowledge, overlap_ ? prefer_overlap : std::uint8_t{0});
  const bool sent = co_await send(false, done, "");
  changed_.ring();
  co_return sent;
}

// ---- the device's work ----

Awaitable<void> HislipSession::work(std::shared_ptr<HislipSession> self) {
  while (self->open_) {
    if (self->inputs_.empty() || self->clearing_) {
      co_await self->changed_.wait(TimePoint::max());
      continue;
    }
    if (self->lock_->bars(self->id_)) {
      co_await self->lock_->changed.wait(TimePoint::max());
      continue;
    }
    Input input = std::move(self->inputs_.front());
    self->inputs_.pop_front();
    self->changed_.ring();
    if (input.trigger) {
      self->device_->trigger();
      continue;
    }
    const std::uint64_t clears = self->clears_;
    self->taking_ = true;
    std::optional<std::string> response = co_await self->device_->take(std::move(input.message));
    self->taking_ = false;
    if (!response || clears != self->clears_ || !self->open_) continue;
    // More commands of the same client message may follow their query's answer.
    const bool same = !self->inputs_.empty() && self->inputs_.front().id == input.id;
    if (!self->overlap_ && self->new_input() && !same) {
      const std::uint32_t by = self->inputs_.empty() ? self->partial_id_ : self->inputs_.front().id;
      co_await self->interrupt(by);
      continue;
    }
    co_await self->respond(*std::move(response), input.id);
  }
}

// New input was there before the answer went out (clause 3.1).
Awaitable<bool> HislipSession::interrupt(std::uint32_t id) {
  device_->interrupted();
  const Header first = header_of(Type::async_interrupted, 0, id);
  const bool sent = co_await send(true, first, "");
  if (!sent) co_return false;
  const Header second = header_of(Type::interrupted, 0, id);
  co_return co_await send(false, second, "");
}

Awaitable<bool> HislipSession::respond(std::string response, std::uint32_t id) {
  const std::uint64_t clears = clears_;
  const std::uint64_t most = std::min<std::uint64_t>(
      std::max<std::uint64_t>(client_most_, least_client_message) - header_size,
      std::max<std::size_t>(options_.piece, 1));
  output_ = true;
  void_output_ = false;
  std::string_view left = response;
  std::string tail;
  bool last = false;
  while (!last) {
    std::string_view piece = left.substr(0, static_cast<std::size_t>(most));
    left.remove_prefix(piece.size());
    last = left.empty() && piece.size() < most;
    if (last) {  // appended here and not to the whole, which may be large
      tail = std::string(piece) + '\n';
      piece = tail;
    }
    Header header = header_of(last ? Type::data_end : Type::data, 0, id);
    if (overlap_) header.parameter = std::exchange(next_id_, next_id_ + 2);
    if (!overlap_ && !last && options_.answers_any_id) header.parameter = any_message_id;
    if (last && !overlap_) rmt_expected_ = true;
    const bool sent = co_await send(false, header, piece);
    if (!sent || clears != clears_ || void_output_) break;
  }
  output_ = false;
  co_return open_;
}

// ---- the asynchronous channel ----

Awaitable<void> HislipSession::read_async(std::shared_ptr<HislipSession> self) {
  while (self->open_) {
    Result<Message> message =
        co_await self->async_->read_message(most_control_payload, TimePoint::max());
    if (!message) break;
    const bool more = co_await self->take_async(*std::move(message));
    if (!more) break;
  }
  self->close();
}

std::uint8_t HislipSession::status(const Header& query) {
  const bool delivered = (query.control & rmt_delivered) != 0;
  if (delivered) rmt_expected_ = false;
  service_requested_ = false;
  const bool pending = output_ || rmt_expected_;
  const bool current = overlap_ || query.parameter == last_id_;
  return device_->status_byte(current && !delivered && pending);
}

Awaitable<bool> HislipSession::take_async(Message message) {
  const Header& header = message.header;
  switch (header.type) {
    case Type::async_maximum_message_size: {
      const Result<std::uint64_t> size = decode_size(message.payload);
      if (!size) co_return false;
      client_most_ = *size;
      const Header ours = header_of(Type::async_maximum_message_size_response);
      const std::string payload = encode_size(options_.most_message);
      co_return co_await send(true, ours, payload);
    }
    case Type::async_status_query: {
      const Header answer = header_of(Type::async_status_response, status(header));
      co_return co_await send(true, answer, "");
    }
    case Type::async_device_clear: {
      clearing_ = true;
      ++clears_;
      inputs_.clear();
      partial_.clear();
      service_requested_ = false;
      device_->device_clear();
      changed_.ring();
      const Header answer = header_of(Type::async_device_clear_acknowledge,
                                      options_.prefer_overlap ? prefer_overlap : std::uint8_t{0});
      co_return co_await send(true, answer, "");
    }
    case Type::async_lock: {
      if (header.control == 0) {
        const Header answer = header_of(Type::async_lock_response, lock_->release(id_));
        co_return co_await send(true, answer, "");
      }
      std::string shared_by = std::move(message.payload);
      if (shared_by.ends_with('\0')) shared_by.pop_back();
      asio::co_spawn(clock_.context(),
                     wait_for_lock(shared_from_this(), std::move(shared_by), header.parameter),
                     asio::detached);
      co_return true;
    }
    case Type::async_lock_info: {
      const Header answer = header_of(Type::async_lock_info_response, lock_->exclusive() ? 1 : 0,
                                      static_cast<std::uint32_t>(lock_->holders()));
      co_return co_await send(true, answer, "");
    }
    case Type::async_remote_local_control: {
      if (header.control > 6) break;
      const Header answer = header_of(Type::async_remote_local_response);
      co_return co_await send(true, answer, "");
    }
    case Type::fatal_error:
      co_return false;
    case Type::error:
      co_return true;
    default:
      break;
  }
  const auto code = header.type == Type::async_remote_local_control ? NonFatal::unknown_control_code
                                                                    : NonFatal::unknown_type;
  const Header error = header_of(Type::error, static_cast<std::uint8_t>(code));
  co_return co_await send(true, error, "not served");
}

Awaitable<void> HislipSession::wait_for_lock(std::shared_ptr<HislipSession> self,
                                             std::string shared_by, std::uint32_t timeout_ms) {
  const TimePoint until = self->clock_.now() + std::chrono::milliseconds(timeout_ms);
  std::uint8_t result = 0;
  const bool held = shared_by.empty() ? self->lock_->exclusive() && self->lock_->holds(self->id_)
                                      : self->lock_->holds(self->id_);
  while (self->open_) {
    if (held || shared_by.size() > 256) {
      result = 3;
      break;
    }
    if (self->lock_->can_take(self->id_, shared_by)) {
      self->lock_->take(self->id_, shared_by);
      result = 1;
      break;
    }
    const link::Wake::Why why = co_await self->lock_->changed.wait(until);
    if (why != link::Wake::Why::rung) break;
  }
  const Header answer = header_of(Type::async_lock_response, result);
  co_await self->send(true, answer, "");
}

void HislipSession::request_service() {
  if (!open_ || !async_ || service_requested_) return;
  service_requested_ = true;
  const Header request =
      header_of(Type::async_service_request,
                static_cast<std::uint8_t>(device_->status_byte(output_ || rmt_expected_) | 0x40U));
  const auto tell = [](std::shared_ptr<HislipSession> self, Header header) -> Awaitable<void> {
    co_await self->send(true, header, "");
  };
  asio::co_spawn(clock_.context(), tell(shared_from_this(), request), asio::detached);
}

}  // namespace nightbench::mock::transport
