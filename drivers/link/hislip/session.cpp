#include "drivers/link/hislip/session.hpp"

#include <algorithm>
#include <utility>

namespace nightbench::link::hislip {
namespace {

constexpr std::size_t most_control_payload = 65'536;
constexpr std::uint32_t vendor_id = 0x4E42;  // two ASCII characters: "NB"
constexpr std::uint64_t most_piece = std::uint64_t{1} << 20;
// A server that takes less than this per message is broken; 1 byte pieces would be endless.
constexpr std::uint64_t least_piece = 64;
constexpr std::size_t most_lock_string = 256;
constexpr Duration grace_for_answers = std::chrono::milliseconds(250);

Header header_of(Type type, std::uint8_t control = 0, std::uint32_t parameter = 0) {
  Header header;
  header.type = type;
  header.control = control;
  header.parameter = parameter;
  return header;
}

std::unexpected<Error> unexpected_message(const Header& header, Type wanted) {
  return fail(ErrorKind::bad_data, std::string("HiSLIP: expected ") + name(wanted) + ", found " +
                                       name(header.type) + " (type " +
                                       std::to_string(static_cast<int>(header.type)) + ")");
}

// A message of one kind, or the server's fatal error in words.
Result<void> expect(const Message& message, Type wanted) {
  if (message.header.type == wanted) return {};
  if (message.header.type == Type::fatal_error) {
    std::string text = "HiSLIP: " + describe_fatal(message.header.control);
    if (!message.payload.empty()) text += ": " + excerpt(message.payload);
    return fail(ErrorKind::refused, std::move(text));
  }
  return unexpected_message(message.header, wanted);
}

}  // namespace

void Session::close() {
  sync_.close();
  if (async_) async_->close();
}

std::unexpected<Error> Session::because(Error error) const {
  if (error.kind == ErrorKind::cancelled && lost_) return fail(*lost_);
  return fail(std::move(error));
}

Awaitable<Result<void>> Session::initialize(std::string sub_address, std::uint16_t version,
                                            TimePoint deadline) {
  const Header request = header_of(Type::initialize, 0, std::uint32_t{version} << 16 | vendor_id);
  const Result<void> sent = co_await sync_.send(request, sub_address, deadline);
  if (!sent) co_return fail(sent.error());
  const Result<Message> answer = co_await sync_.read_message(most_control_payload, deadline);
  if (!answer) co_return fail(answer.error());
  CO_TRY(expect(*answer, Type::initialize_response));
  const Header& header = answer->header;
  if ((header.control & (demand_encryption | initial_encryption)) != 0) {
    co_return fail(ErrorKind::refused,
                   "HiSLIP: the instrument demands an encrypted connection, which is not served");
  }
  terms_.overlap = (header.control & prefer_overlap) != 0;
  terms_.version = std::min(version, static_cast<std::uint16_t>(header.parameter >> 16));
  terms_.session_id = static_cast<std::uint16_t>(header.parameter & 0xFFFF);
  co_return Result<void>{};
}

Awaitable<Result<void>> Session::initialize_async(std::unique_ptr<Stream> stream,
                                                  std::uint64_t most_message, TimePoint deadline) {
  async_ = std::make_shared<AsyncChannel>(std::move(stream), clock_);
  const std::weak_ptr<Session> self = weak_from_this();
  async_->start([self](const Error& why) {
    if (const std::shared_ptr<Session> session = self.lock()) session->lose(why);
  });
  const Header hello = header_of(Type::async_initialize, 0, terms_.session_id);
  const Result<Message> response =
      co_await async_->request(hello, "", Type::async_initialize_response, deadline);
  if (!response) co_return fail(response.error());
  const Header size = header_of(Type::async_maximum_message_size);
  const std::string ours = encode_size(most_message);
  const Result<Message> answer =
      co_await async_->request(size, ours, Type::async_maximum_message_size_response, deadline);
  if (!answer) co_return fail(answer.error());
  const Result<std::uint64_t> theirs = decode_size(answer->payload);
  if (!theirs) co_return fail(theirs.error());
  terms_.server_most_message = *theirs;
  co_return Result<void>{};
}

void Session::lose(const Error& why) {
  lost_ = why;
  // Usually the other connection ends as well, after the answers that are on the way. When it does
  // not, it is of no use alone.
  const std::weak_ptr<Session> self = weak_from_this();
  grace_ = clock_.arm(clock_.now() + grace_for_answers, [self] {
    if (const std::shared_ptr<Session> session = self.lock()) session->sync_.close();
  });
}

Header Session::next(Type type) {
  Header header = header_of(type, 0, next_id_);
  if (rmt_delivered_ && !terms_.overlap) header.control = rmt_delivered;
  rmt_delivered_ = false;
  sent_id_ = next_id_;
  next_id_ += 2;
  return header;
}

Awaitable<Result<void>> Session::before_sending(TimePoint deadline) {
  if (lost_) {
    close();
    co_return fail(*lost_);
  }
  if (terms_.overlap) co_return Result<void>{};
  deliver_ = false;  // the rest of an answer under way is nobody's any more
  // Interrupted came first: nothing may be sent before its twin has come (clause 3.1).
  while (interruptions_ > async_->interruptions()) {
    if (!is_open()) co_return fail(ErrorKind::cancelled, "the link was closed while waiting");
    const Wake::Why why = co_await async_->news().wait(deadline);
    if (why == Wake::Why::late) {
      co_return fail(ErrorKind::timeout, "HiSLIP: Interrupted without AsyncInterrupted");
    }
    if (why == Wake::Why::stopped) co_return fail(ErrorKind::cancelled, "stopped while writing");
  }
  co_return Result<void>{};
}

Awaitable<Result<void>> Session::write(std::string_view message, TimePoint deadline) {
  const Result<void> ready = co_await before_sending(deadline);
  if (!ready) co_return because(ready.error());
  // Whether the header counts is read differently: keep both within the server's figure.
  const std::uint64_t most =
      std::clamp<std::uint64_t>(terms_.server_most_message, least_piece + header_size,
                                most_piece + header_size) -
      header_size;
  bool last = false;
  while (!last) {
    if (clock_.now() >= deadline) {
      close();  // the pieces that are out would begin the next message
      co_return fail(ErrorKind::timeout, "the instrument did not take the message in time");
    }
    last = message.size() <= most;
    const std::string_view piece = message.substr(0, static_cast<std::size_t>(most));
    const Header header = next(last ? Type::data_end : Type::data);
    const Result<void> sent = co_await sync_.send(header, piece, deadline);
    if (!sent) co_return because(sent.error());
    message.remove_prefix(piece.size());
  }
  co_return Result<void>{};
}

// Whether a data message belongs to what was asked last.
bool Session::wanted(const Header& header) const {
  if (terms_.overlap || !check_message_ids_) return true;
  if (header.parameter == sent_id_) return true;
  return header.type == Type::data && header.parameter == any_message_id;
}

Awaitable<Result<void>> Session::take_control(Header header, TimePoint deadline) {
  std::string text;
  const bool says = header.type == Type::error || header.type == Type::fatal_error;
  while (says && sync_.payload_left() > 0 && text.size() < most_control_payload) {
    const Result<std::string> bytes = co_await sync_.read_payload(most_control_payload, deadline);
    if (!bytes) co_return because(bytes.error());
    text += *bytes;
  }
  if (!text.empty()) text = ": " + excerpt(text);
  switch (header.type) {
    case Type::interrupted:
      ++interruptions_;
      co_return Result<void>{};
    case Type::fatal_error:
      close();
      co_return fail(ErrorKind::refused, "HiSLIP: " + describe_fatal(header.control) + text);
    case Type::error:
      co_return fail(ErrorKind::bad_data, "HiSLIP: " + describe_error(header.control) + text);
    default:
      break;
  }
  // Unknown or out of place: told to the server and skipped (table 16).
  const Header complaint =
      header_of(Type::error, static_cast<std::uint8_t>(NonFatal::unknown_type));
  Result<void> sent = co_await sync_.send(complaint, "unexpected message type", deadline);
  co_return sent;
}

Awaitable<Result<Chunk>> Session::read(std::size_t most, TimePoint deadline) {
  most = std::max<std::size_t>(most, 1);
  for (;;) {
    if (!current_) {
      const Result<Header> header = co_await sync_.read_header(deadline);
      if (!header) co_return because(header.error());
      if (header->type != Type::data && header->type != Type::data_end) {
        const Result<void> taken = co_await take_control(*header, deadline);
        if (!taken) co_return fail(taken.error());
        continue;
      }
      current_ = *header;
      // AsyncInterrupted came first: everything up to Interrupted is void (clause 3.1).
      const bool interrupted = async_->interruptions() > interruptions_ && !terms_.overlap;
      deliver_ = !interrupted && wanted(*header);
    }
    const bool last = current_->type == Type::data_end;
    if (!deliver_) {
      const Result<void> skipped = co_await sync_.skip_payload(deadline);
      if (!skipped) co_return because(skipped.error());
      current_.reset();
      continue;
    }
    Chunk chunk;
    if (sync_.payload_left() > 0) {
      Result<std::string> bytes = co_await sync_.read_payload(most, deadline);
      if (!bytes) co_return because(std::move(bytes).error());
      chunk.bytes = *std::move(bytes);
    }
    if (sync_.payload_left() == 0) {
      chunk.end = last;
      delivered_id_ = current_->parameter;
      current_.reset();
    }
    if (chunk.end) rmt_delivered_ = true;
    if (chunk.end || !chunk.bytes.empty()) co_return chunk;
  }
}

Awaitable<Result<std::uint8_t>> Session::status(TimePoint deadline) {
  Header query = header_of(Type::async_status_query);
  query.parameter = terms_.overlap ? delivered_id_ : sent_id_;
  if (!terms_.overlap && std::exchange(rmt_delivered_, false)) query.control = rmt_delivered;
  const Result<Message> answer =
      co_await async_->request(query, "", Type::async_status_response, deadline);
  if (!answer) co_return because(answer.error());
  co_return answer->header.control;
}

Awaitable<Result<void>> Session::clear(std::optional<bool> overlap, TimePoint deadline) {
  const Header begin = header_of(Type::async_device_clear);
  const Result<Message> agreed =
      co_await async_->request(begin, "", Type::async_device_clear_acknowledge, deadline);
  if (!agreed) co_return because(agreed.error());
  // From here the server reads nothing but DeviceClearComplete: a failure leaves both sides apart.
  const bool prefers_overlap = (agreed->header.control & prefer_overlap) != 0;
  const bool wish = overlap.value_or(prefers_overlap);
  const Header complete = header_of(Type::device_clear_complete, wish ? prefer_overlap : 0);
  const Result<void> sent = co_await sync_.send(complete, "", deadline);
  if (!sent) co_return because(sent.error());
  for (;;) {
    const Result<Header> header = co_await sync_.read_header(deadline);
    if (!header) {
      close();
      co_return because(header.error());
    }
    if (header->type == Type::fatal_error) co_return co_await take_control(*header, deadline);
    if (header->type != Type::device_clear_acknowledge) continue;  // skipped with its payload
    terms_.overlap = (header->control & prefer_overlap) != 0;
    break;
  }
  next_id_ = first_message_id;
  sent_id_ = before_first_message_id;
  delivered_id_ = before_first_message_id;
  current_.reset();
  rmt_delivered_ = false;
  interruptions_ = 0;
  async_->forget_interruptions();
  if (overlap && terms_.overlap != *overlap) {
    co_return fail(ErrorKind::refused, std::string("HiSLIP: the instrument keeps to ") +
                                           (terms_.overlap ? "overlap" : "synchronised") + " mode");
  }
  co_return Result<void>{};
}

Awaitable<Result<void>> Session::trigger(TimePoint deadline) {
  const Result<void> ready = co_await before_sending(deadline);
  if (!ready) co_return because(ready.error());
  const Header header = next(Type::trigger);
  const Result<void> sent = co_await sync_.send(header, "", deadline);
  if (!sent) co_return because(sent.error());
  co_return Result<void>{};
}

Awaitable<Result<void>> Session::lock(std::string shared_by, TimePoint deadline) {
  if (shared_by.size() > most_lock_string) {
    co_return fail(ErrorKind::bad_input, "a lock string has at most 256 bytes");
  }
  const auto left = std::chrono::duration_cast<std::chrono::milliseconds>(deadline - clock_.now());
  const auto wait = std::clamp<long long>(left.count() * 3 / 4, 0, 0x7FFFFFFF);
  const Header request = header_of(Type::async_lock, 1, static_cast<std::uint32_t>(wait));
  const Result<Message> answer =
      co_await async_->request(request, std::move(shared_by), Type::async_lock_response, deadline);
  if (!answer) co_return because(answer.error());
  if (answer->header.control == 1) co_return Result<void>{};
  if (answer->header.control == 0) {
    co_return fail(ErrorKind::timeout, "HiSLIP: another client holds the lock");
  }
  co_return fail(ErrorKind::refused, "HiSLIP: the lock was refused");
}

Awaitable<Result<void>> Session::unlock(TimePoint deadline) {
  const Header request = header_of(Type::async_lock, 0, sent_id_);
  const Result<Message> answer =
      co_await async_->request(request, "", Type::async_lock_response, deadline);
  if (!answer) co_return because(answer.error());
  if (answer->header.control == 1 || answer->header.control == 2) co_return Result<void>{};
  co_return fail(ErrorKind::refused, "HiSLIP: this client holds no lock");
}

Awaitable<Result<void>> Session::remote_local(std::uint8_t code, TimePoint deadline) {
  const Header request = header_of(Type::async_remote_local_control, code, sent_id_);
  const Result<Message> answer =
      co_await async_->request(request, "", Type::async_remote_local_response, deadline);
  if (!answer) co_return because(answer.error());
  co_return Result<void>{};
}

}  // namespace nightbench::link::hislip
