#include "drivers/link/usbtmc/session.hpp"

#include <algorithm>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/io_context.hpp>
#include <utility>

namespace nightbench::link::usbtmc {
namespace asio = boost::asio;

namespace {

constexpr std::size_t most_piece = std::size_t{1} << 20;    // of a message, in one OUT transfer
constexpr std::size_t most_at_once = std::size_t{1} << 18;  // of an answer, in one IN transfer
constexpr Duration busy_pause = std::chrono::milliseconds(20);

std::size_t round_up(std::size_t count, std::size_t packet) {
  return (count + packet - 1) / packet * packet;
}

}  // namespace

// ---- the device comes and goes ----

Awaitable<Result<void>> Session::begin(TimePoint deadline) {
  Transfer reply =
      co_await control(Request::get_capabilities, to_interface, 0, capabilities_size, deadline);
  if (reply.end == Transfer::End::done) {
    const Result<Capabilities> found = decode_capabilities(reply.bytes);
    if (found) capabilities_ = *found;  // a device that cannot tell may work all the same
  } else if (reply.end != Transfer::End::stalled) {
    co_return failed(reply, "asked for its capabilities");
  }
  if (pipes_->interrupt_endpoint() != 0) {
    asio::co_spawn(clock_.context(), listen(shared_from_this()), asio::detached);
  }
  if (!options_.clear_at_open) co_return Result<void>{};
  Result<void> cleared = co_await clear(deadline);
  // A device without a clear is as it is.
  if (!cleared && cleared.error().kind == ErrorKind::refused && open_) co_return Result<void>{};
  co_return cleared;
}

void Session::close() {
  open_ = false;
  pipes_->close();
  news_.ring();
}

void Session::lose(Error why) {
  if (!open_) return;
  lost_ = std::move(why);
  close();
}

// The error for a transfer that did not end well; `what` completes "the instrument was ...".
std::unexpected<Error> Session::failed(const Transfer& transfer, const char* what) {
  Error error;
  error.number = transfer.number;
  switch (transfer.end) {
    case Transfer::End::timed_out:
      error.kind = ErrorKind::timeout;
      error.message = std::string("no answer in time when the instrument was ") + what;
      return fail(std::move(error));
    case Transfer::End::stalled:
      error.kind = ErrorKind::bad_data;
      error.message = std::string("USBTMC: the instrument stalled when it was ") + what;
      return fail(std::move(error));
    case Transfer::End::cancelled:
      if (lost_) return fail(*lost_);
      error.kind = ErrorKind::cancelled;
      error.message = std::string("the link was closed while the instrument was ") + what;
      return fail(std::move(error));
    case Transfer::End::gone:
      error.message = "the USB device has gone";
      break;
    default:
      error.message = std::string("the USB transfer failed when the instrument was ") + what;
      break;
  }
  error.kind = ErrorKind::refused;
  lose(error);
  return fail(std::move(error));
}

std::unexpected<Error> Session::cut_off(const char* what) {
  Transfer transfer;
  transfer.end = Transfer::End::cancelled;
  return failed(transfer, what);
}

Awaitable<void> Session::listen(std::shared_ptr<Session> self) {
  while (self->open_) {
    const Transfer packet = co_await self->pipes_->interrupt_in(TimePoint::max());
    if (!self->open_) co_return;
    if (packet.end == Transfer::End::done) {
      self->hear(packet.bytes);
    } else if (packet.end == Transfer::End::stalled) {
      const std::uint8_t endpoint = self->pipes_->interrupt_endpoint();
      const TimePoint soon = self->clock_.now() + std::chrono::seconds(1);
      const Transfer cleared = co_await self->pipes_->clear_halt(endpoint, soon);
      if (cleared.end != Transfer::End::done) co_return;
    } else {
      // Nobody may be waiting for an answer: this pipe is the first to know.
      if (packet.end != Transfer::End::cancelled) self->failed(packet, "waited for");
      co_return;
    }
  }
}

void Session::hear(std::string_view packet) {
  const Notification note = decode_notification(packet);
  if (note.kind == Notification::Kind::status) status_answer_ = note;
  if (note.kind == Notification::Kind::service_request) service_request_ = note.status_byte;
  news_.ring();
}

// ---- small steps ----

std::uint8_t Session::next_tag() {
  tag_ = usbtmc::next_tag(tag_);
  return tag_;
}

void Session::forget_unread() {
  unread_.clear();
  unread_end_ = false;
}

Awaitable<Transfer> Session::control(Request request, std::uint8_t type, std::uint16_t value,
                                     std::uint16_t length, TimePoint deadline) {
  Setup setup;
  setup.type = type;
  setup.request = static_cast<std::uint8_t>(request);
  setup.value = value;
  setup.length = length;
  setup.index = pipes_->interface_number();
  if (type == to_endpoint) {
    const bool in = request == Request::initiate_abort_bulk_in ||
                    request == Request::check_abort_bulk_in_status;
    setup.index = in ? pipes_->in_endpoint() : pipes_->out_endpoint();
  }
  Transfer reply = co_await pipes_->control_in(setup, deadline);
  if (reply.end == Transfer::End::done && reply.bytes.empty()) {
    reply.bytes.assign(1, static_cast<char>(Status::failed));
  }
  co_return reply;
}

Awaitable<Result<void>> Session::unhalt(std::uint8_t endpoint, TimePoint deadline) {
  const Transfer cleared = co_await pipes_->clear_halt(endpoint, deadline);
  if (cleared.end != Transfer::End::done) co_return failed(cleared, "freed of a halt");
  co_return Result<void>{};
}

Awaitable<Result<void>> Session::send(std::string bytes, std::uint8_t tag, TimePoint deadline) {
  const Transfer sent = co_await pipes_->bulk_out(std::move(bytes), deadline);
  if (sent.end == Transfer::End::done) co_return Result<void>{};
  if (sent.end == Transfer::End::timed_out) {
    broken_out_ = tag;
    co_return fail(ErrorKind::timeout, "the instrument did not take the message in time");
  }
  if (sent.end == Transfer::End::stalled) {
    CO_TRY(co_await unhalt(pipes_->out_endpoint(), deadline));
  }
  co_return failed(sent, "sent a message");
}

// One bulk-IN transfer; goes on with the one that a deadline left behind, if there is one.
Awaitable<Session::Pulled> Session::pull(std::size_t room, TimePoint deadline) {
  if (room_ == 0) room_ = room;
  Pulled got;
  static_cast<Transfer&>(got) = co_await pipes_->bulk_in(room_, deadline);
  if (got.end == Transfer::End::timed_out) co_return got;
  got.ended = got.bytes.size() < room_;
  room_ = 0;
  co_return got;
}

// ---- messages ----

Awaitable<Result<void>> Session::make_way(TimePoint deadline) {
  if (lost_) co_return fail(*lost_);
  CO_TRY(co_await mend_out(deadline));
  if (asked_) CO_TRY(co_await abort_in(deadline));
  forget_unread();
  co_return co_await finish_tail(deadline);
}

Awaitable<Result<void>> Session::write(std::string_view message, TimePoint deadline) {
  CO_TRY(co_await make_way(deadline));
  if (message.empty()) message = "\n";  // a transfer of no bytes does not exist
  while (!message.empty()) {
    const std::string_view piece = message.substr(0, most_piece);
    message.remove_prefix(piece.size());
    Header header;
    header.tag = next_tag();
    header.attributes = message.empty() ? eom : std::uint8_t{0};
    CO_TRY(co_await send(encode(header, piece), header.tag, deadline));
  }
  co_return Result<void>{};
}

Awaitable<Result<void>> Session::trigger(TimePoint deadline) {
  CO_TRY(co_await make_way(deadline));
  Header header;
  header.id = MsgId::trigger;
  header.tag = next_tag();
  co_return co_await send(encode(header), header.tag, deadline);
}

Awaitable<Result<Chunk>> Session::read(std::size_t most, TimePoint deadline) {
  most = std::max<std::size_t>(most, 1);
  while (!has_unread()) {
    if (lost_) co_return fail(*lost_);
    CO_TRY(co_await mend_out(deadline));
    if (!asked_) {
      // Nothing is asked for that nobody will wait for.
      if (clock_.now() >= deadline) co_return fail(ErrorKind::timeout, "nothing came in time");
      CO_TRY(co_await ask(deadline));
    }
    CO_TRY(co_await take_transfer(deadline));
  }
  Chunk chunk;
  if (unread_.size() <= most) {
    chunk.bytes = std::exchange(unread_, std::string());
    chunk.end = std::exchange(unread_end_, false);
  } else {
    chunk.bytes = unread_.substr(0, most);
    unread_.erase(0, most);
  }
  co_return chunk;
}

Awaitable<Result<void>> Session::ask(TimePoint deadline) {
  CO_TRY(co_await finish_tail(deadline));
  Header header;
  header.id = MsgId::request_dev_dep_msg_in;
  header.tag = next_tag();
  header.size = options_.request_most;
  CO_TRY(co_await send(encode(header), header.tag, deadline));
  asked_ = Asked();
  asked_->tag = header.tag;
  co_return Result<void>{};
}

// Reads the header at the start of `bytes` and takes it away.
Result<void> Session::take_header(std::string& bytes) {
  TRY_ASSIGN(const Header header, decode_header(bytes));
  const auto complain = [](std::string text) {
    return fail(ErrorKind::bad_data, "USBTMC: " + std::move(text));
  };
  if (header.id != MsgId::request_dev_dep_msg_in) {
    return complain("expected an answer, found a message of kind " +
                    std::to_string(static_cast<int>(header.id)));
  }
  if (options_.check_tags && header.tag != asked_->tag) {
    return complain("expected the answer to request " + std::to_string(asked_->tag) +
                    ", found that to " + std::to_string(header.tag));
  }
  if (header.size > options_.request_most) {
    return complain("an answer announces " + std::to_string(header.size) + " bytes, at most " +
                    std::to_string(options_.request_most) + " were asked for");
  }
  asked_->begun = true;
  asked_->remaining = header.size;
  asked_->end = (header.attributes & eom) != 0;
  bytes.erase(0, header_size);
  return {};
}

// One USB transfer of the answer that was asked for. The first takes one packet, to learn how much
// comes; the others exactly the rest, since some devices leave out the short packet at the end.
Awaitable<Result<void>> Session::take_transfer(TimePoint deadline) {
  const std::size_t packet = pipes_->in_packet();
  const std::size_t rest = std::min<std::size_t>(asked_->remaining, most_at_once);
  const std::size_t room = asked_->begun ? round_up(rest, packet) : packet;
  Pulled got = co_await pull(room, deadline);
  if (got.end == Transfer::End::timed_out) {
    co_return fail(ErrorKind::timeout, "nothing came in time");
  }
  if (got.end == Transfer::End::stalled) {
    asked_.reset();
    CO_TRY(co_await unhalt(pipes_->in_endpoint(), deadline));
  }
  if (got.end != Transfer::End::done) co_return failed(got, "asked for its answer");

  const bool ended = got.ended;
  bool first = false;
  if (!asked_->begun) {
    const bool left_over = std::exchange(tail_possible_, false);
    if (left_over && ended && got.bytes.size() < header_size) co_return Result<void>{};
    Result<void> taken = take_header(got.bytes);
    if (!taken) {
      const Result<void> mended = co_await abort_in(deadline);
      if (!mended && mended.error().kind == ErrorKind::refused) co_return fail(mended.error());
      co_return taken;
    }
    first = true;
  }
  Asked& asked = *asked_;
  const std::size_t count = std::min<std::size_t>(asked.remaining, got.bytes.size());
  got.bytes.resize(count);  // the rest is padding
  asked.remaining -= static_cast<std::uint32_t>(count);
  if (unread_.empty()) {
    unread_ = std::move(got.bytes);
  } else {
    unread_ += got.bytes;
  }
  if (asked.remaining == 0) {
    unread_end_ = asked.end;
    tail_due_ = !ended && !lacks_tail_;
    tail_possible_ = !ended;
    asked_.reset();
    co_return Result<void>{};
  }
  if (ended && !(first && count == 0)) {  // some devices send the header in a packet of its own
    const std::uint32_t missing = asked.remaining;
    asked_.reset();
    co_return fail(ErrorKind::bad_data, "USBTMC: an answer is " + std::to_string(missing) +
                                            " bytes shorter than its header says");
  }
  co_return Result<void>{};
}

Awaitable<Result<std::uint8_t>> Session::status(TimePoint deadline) {
  if (lost_) co_return fail(*lost_);
  for (;;) {
    status_tag_ = next_status_tag(status_tag_);
    status_answer_.reset();
    const Transfer reply =
        co_await control(Request::read_status_byte, to_interface, status_tag_, 3, deadline);
    if (reply.end == Transfer::End::stalled) {
      co_return fail(ErrorKind::refused, "the instrument gives no status byte over USB");
    }
    if (reply.end != Transfer::End::done) co_return failed(reply, "asked for its status byte");
    const auto status = static_cast<Status>(reply.bytes[0]);
    if (status == Status::interrupt_in_busy) {
      if (clock_.now() >= deadline) co_return fail(ErrorKind::timeout, "no status byte in time");
      co_await news_.wait(std::min(deadline, clock_.now() + busy_pause));
      if (!open_) co_return cut_off("asked for its status");
      continue;
    }
    if (status != Status::success || reply.bytes.size() < 3) {
      co_return fail(ErrorKind::refused, "USBTMC: no status byte: " + describe(status));
    }
    // With an interrupt pipe the byte comes there; some devices give it here all the same.
    const auto byte = static_cast<std::uint8_t>(reply.bytes[2]);
    if (pipes_->interrupt_endpoint() == 0 || byte != 0) co_return byte;
    break;
  }
  while (!status_answer_ || status_answer_->tag != status_tag_) {
    if (!open_) co_return cut_off("asked for its status");
    const Wake::Why why = co_await news_.wait(deadline);
    if (why == Wake::Why::late) co_return fail(ErrorKind::timeout, "no status byte in time");
    if (why == Wake::Why::stopped) co_return fail(ErrorKind::cancelled, "stopped while waiting");
  }
  co_return status_answer_->status_byte;
}

Awaitable<Result<void>> Session::remote_local(Request request, bool on, TimePoint deadline) {
  if (lost_) co_return fail(*lost_);
  const std::uint16_t value = request == Request::ren_control && on ? 1 : 0;
  const Transfer reply = co_await control(request, to_interface, value, 1, deadline);
  if (reply.end == Transfer::End::stalled) {
    co_return fail(ErrorKind::refused, "the instrument has no remote and local control over USB");
  }
  if (reply.end != Transfer::End::done) co_return failed(reply, "set to remote or local");
  const auto status = static_cast<Status>(reply.bytes[0]);
  if (status == Status::success) co_return Result<void>{};
  co_return fail(ErrorKind::refused, "USBTMC: remote or local control: " + describe(status));
}

}  // namespace nightbench::link::usbtmc
