#include "mock_instruments/transport/usbtmc_function.hpp"

#include <algorithm>
#include <utility>

namespace nightbench::mock::transport {
using namespace link::usbtmc;

UsbtmcFunction::UsbtmcFunction(UsbtmcOwner& owner, UsbIdentity identity, UsbtmcFlaws flaws)
    : owner_(owner),
      identity_(std::move(identity)),
      flaws_(flaws),
      device_(transport::device_descriptor(identity_)),
      configuration_(transport::configuration_descriptor(identity_)),
      packet_(bulk_packet(identity_.speed)) {}

int UsbtmcFunction::count(Request request) const {
  const auto found = counts_.find(static_cast<std::uint8_t>(request));
  return found == counts_.end() ? 0 : found->second;
}

// ---- what a host controller does ----

void UsbtmcFunction::end(Pending pending, UsbOutcome outcome) {
  pending.done(std::move(outcome));
}

void UsbtmcFunction::end_all(std::deque<Pending>& queue, int status) {
  std::deque<Pending> all = std::exchange(queue, {});
  for (Pending& each : all) {
    UsbOutcome outcome;
    outcome.status = status;
    end(std::move(each), std::move(outcome));
  }
}

std::uint64_t UsbtmcFunction::submit(UsbTransfer transfer, Done done) {
  const std::uint64_t number = ++numbers_;
  if (!plugged_) {
    UsbOutcome outcome;
    outcome.status = usb_end::gone;
    done(std::move(outcome));
    return number;
  }
  const std::uint8_t endpoint = transfer.endpoint;
  Pending pending{number, std::move(transfer), std::move(done)};
  if ((endpoint & 0x0F) == 0) {
    UsbOutcome outcome;
    std::optional<std::string> reply = control(pending.transfer.setup);
    if (reply) {
      outcome.in = *std::move(reply);
      outcome.in.resize(std::min<std::size_t>(outcome.in.size(), pending.transfer.setup.length));
      outcome.accepted = pending.transfer.out.size();
    } else {
      outcome.status = usb_end::stalled;
    }
    end(std::move(pending), std::move(outcome));
    // What the request let go on.
    serve_out();
    serve_in();
    serve_interrupt();
  } else if (endpoint == usbtmc_out) {
    out_pending_.push_back(std::move(pending));
    serve_out();
  } else if (endpoint == usbtmc_in) {
    in_pending_.push_back(std::move(pending));
    serve_in();
  } else if (endpoint == usbtmc_interrupt && identity_.interrupt_pipe) {
    interrupt_pending_.push_back(std::move(pending));
    serve_interrupt();
  } else {
    UsbOutcome outcome;
    outcome.status = usb_end::stalled;
    end(std::move(pending), std::move(outcome));
  }
  return number;
}

bool UsbtmcFunction::cancel(std::uint64_t number) {
  for (std::deque<Pending>* queue : {&out_pending_, &in_pending_, &interrupt_pending_}) {
    const auto found = std::ranges::find(*queue, number, &Pending::number);
    if (found == queue->end()) continue;
    queue->erase(found);
    return true;
  }
  return false;
}

void UsbtmcFunction::unplug() {
  plugged_ = false;
  end_all(out_pending_, usb_end::gone);
  end_all(in_pending_, usb_end::gone);
  end_all(interrupt_pending_, usb_end::gone);
}

void UsbtmcFunction::reset() {
  out_halted_ = in_halted_ = interrupt_halted_ = false;
  incoming_.reset();
  in_message_ = false;
  output_.clear();
  output_end_ = answer_begun_ = false;
  in_.reset();
  wire_.clear();
  short_due_ = false;
  split_.reset();
  notifications_.clear();
  last_out_tag_ = 0;
}

void UsbtmcFunction::halt(std::uint8_t endpoint) {
  if (endpoint == usbtmc_out) out_halted_ = true;
  if (endpoint == usbtmc_in) in_halted_ = true;
  serve_out();
  serve_in();
}

void UsbtmcFunction::unhalt(std::uint8_t endpoint) {
  if (endpoint == usbtmc_out) {
    out_halted_ = false;
    incoming_.reset();  // the next packet begins with a header (USBTMC 4.1.1)
  } else if (endpoint == usbtmc_in) {
    in_halted_ = false;
    in_.reset();
    wire_.clear();
    short_due_ = false;
  } else if (endpoint == usbtmc_interrupt) {
    interrupt_halted_ = false;
  }
}

// ---- bulk OUT ----

void UsbtmcFunction::room() {
  serve_out();
}

void UsbtmcFunction::serve_out() {
  if (serving_out_) return;
  serving_out_ = true;
  while (plugged_ && !out_pending_.empty()) {
    if (!out_halted_ && !owner_.wants_more()) break;
    Pending next = std::move(out_pending_.front());
    out_pending_.pop_front();
    UsbOutcome outcome;
    if (!out_halted_ && take_out(next.transfer.out)) {
      outcome.accepted = next.transfer.out.size();
    } else {
      out_halted_ = true;
      outcome.status = usb_end::stalled;
    }
    end(std::move(next), std::move(outcome));
  }
  serving_out_ = false;
  serve_in();
}

bool UsbtmcFunction::take_out(std::string_view bytes) {
  const bool is_short = bytes.size() % packet_ != 0 || bytes.empty();
  if (!incoming_) {
    if (!begin_out(bytes)) return false;
    if (!incoming_) return true;
  }
  Incoming& now = *incoming_;
  now.received += static_cast<std::uint32_t>(bytes.size());
  const std::size_t count = std::min(now.payload, bytes.size());
  now.payload -= count;
  const bool whole = now.payload == 0;
  const std::string_view payload = bytes.substr(0, count);
  bytes.remove_prefix(count);
  const std::size_t pad = std::min(now.padding, bytes.size());
  now.padding -= pad;
  bytes.remove_prefix(pad);
  const bool ended = whole && now.padding == 0;
  const bool wrong = !bytes.empty() || (is_short && !ended);
  const bool message_end = now.end && whole;
  if (ended || wrong) incoming_.reset();
  if (wrong) return false;  // more or fewer bytes than the header says
  if (message_end) in_message_ = false;
  if (count > 0) owner_.take(payload, message_end);
  return true;
}

// Reads a header off the front; incoming_ stays empty for messages without a payload.
bool UsbtmcFunction::begin_out(std::string_view& bytes) {
  const Result<Header> header = decode_header(bytes);
  if (!header || header->tag == last_out_tag_) return false;
  last_out_tag_ = header->tag;
  bytes.remove_prefix(header_size);
  switch (header->id) {
    case MsgId::dev_dep_msg_out: {
      if (header->size == 0) return false;
      if (!in_message_ && !is_quiet()) {
        // Halted only when data were on the way already (USB488 6.1).
        if (!wire_.empty()) in_halted_ = true;
        output_.clear();
        answer_begun_ = output_end_ = false;
        wire_.clear();
        owner_.interrupted();
      }
      in_message_ = true;
      Incoming now;
      now.tag = header->tag;
      now.payload = header->size;
      now.padding = padding_of(header->size);
      now.received = header_size;
      now.end = (header->attributes & eom) != 0;
      incoming_ = now;
      return true;
    }
    case MsgId::request_dev_dep_msg_in:
      if (header->size == 0 || !bytes.empty()) return false;
      if (in_ || !wire_.empty()) {
        in_halted_ = true;  // a second one while the first runs (USBTMC table 12)
        return true;
      }
      if (flaws_.one_request && answer_begun_) return true;
      in_ = Asked{header->tag, header->size, false, 0};
      if (output_.empty()) owner_.asked();
      return true;
    case MsgId::trigger:
      if (!bytes.empty()) return false;
      owner_.triggered();
      return true;
    default:
      return false;
  }
}

// ---- bulk IN ----

void UsbtmcFunction::say(std::string_view bytes, bool end) {
  output_ += bytes;
  output_end_ = end;
  serve_in();
}

void UsbtmcFunction::begin_answer() {
  const std::size_t count = std::min<std::size_t>(output_.size(), in_->most);
  Header header;
  header.id = MsgId::request_dev_dep_msg_in;
  header.tag = flaws_.wrong_tag ? link::usbtmc::next_tag(in_->tag) : in_->tag;
  const bool last = output_end_ && count == output_.size();
  header.attributes = last ? eom : std::uint8_t{0};
  header.size = static_cast<std::uint32_t>(static_cast<std::int64_t>(count) + flaws_.size_error);
  wire_ = encode(header);
  wire_.append(output_, 0, count);
  if (!flaws_.no_padding) wire_.append(padding_of(count), '\0');
  wire_.append(flaws_.odd_padding, '\xEE');
  output_.erase(0, count);
  answer_begun_ = !last;
  if (last) output_end_ = false;
  in_->begun = true;
}

void UsbtmcFunction::serve_in() {
  if (serving_in_) return;
  serving_in_ = true;
  while (plugged_ && !in_pending_.empty()) {
    UsbOutcome outcome;
    if (in_halted_) {
      outcome.status = usb_end::stalled;
    } else if (short_due_) {
      short_due_ = false;
    } else {
      if (!in_) break;
      if (!in_->begun) {
        if (output_.empty()) break;
        begin_answer();
      }
      std::size_t count = std::min(in_pending_.front().transfer.room, wire_.size());
      const bool header_packet = flaws_.header_alone && in_->sent == 0;
      if (header_packet) count = std::min(count, header_size);
      outcome.in = wire_.substr(0, count);
      wire_.erase(0, count);
      in_->sent += static_cast<std::uint32_t>(count);
      if (wire_.empty() && !header_packet) {
        // Its last packet is full: an empty one must follow (USBTMC 3.3).
        short_due_ = in_->sent % packet_ == 0 && count == in_pending_.front().transfer.room &&
                     !flaws_.no_short_packet;
        in_.reset();
      }
    }
    Pending next = std::move(in_pending_.front());
    in_pending_.pop_front();
    end(std::move(next), std::move(outcome));
  }
  serving_in_ = false;
}

// ---- interrupt IN ----

void UsbtmcFunction::serve_interrupt() {
  while (plugged_ && !interrupt_pending_.empty() && !notifications_.empty()) {
    UsbOutcome outcome;
    outcome.in = std::move(notifications_.front());
    notifications_.pop_front();
    Pending next = std::move(interrupt_pending_.front());
    interrupt_pending_.pop_front();
    end(std::move(next), std::move(outcome));
  }
}

void UsbtmcFunction::request_service() {
  if (!identity_.interrupt_pipe) return;
  const std::uint8_t status = owner_.status_byte(has_output()) | 0x40;
  notifications_.push_back({'\x81', static_cast<char>(status)});
  serve_interrupt();
}

}  // namespace nightbench::mock::transport
