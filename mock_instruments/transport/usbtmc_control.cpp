// Endpoint 0 of a simulated USBTMC device: standard requests (USB 2.0, chapter 9) and class
// requests (USBTMC 4.2, USB488 4.3).
#include <utility>

#include "mock_instruments/transport/usbtmc_function.hpp"

namespace nightbench::mock::transport {
using namespace link::usbtmc;

namespace {

// bRequest of standard requests (USB 2.0, table 9-4).
constexpr std::uint8_t get_status = 0;
constexpr std::uint8_t clear_feature = 1;
constexpr std::uint8_t set_feature = 3;
constexpr std::uint8_t get_descriptor = 6;
constexpr std::uint8_t get_configuration = 8;
constexpr std::uint8_t set_configuration = 9;
constexpr std::uint8_t get_interface = 10;
constexpr std::uint8_t set_interface = 11;

constexpr std::uint8_t type_mask = 0x60;
constexpr std::uint8_t recipient_mask = 0x1F;
constexpr std::uint8_t class_type = 0x20;
constexpr std::uint8_t to_an_endpoint = 2;

std::string reply_of(Status status, std::string_view rest = {}) {
  return std::string(1, static_cast<char>(status)).append(rest);
}

std::string check_reply(Status status, bool fifo, std::uint32_t bytes, std::size_t length) {
  std::string out(length, '\0');
  out[0] = static_cast<char>(status);
  out[1] = fifo ? '\1' : '\0';
  for (std::size_t i = 4; i < length; ++i) {
    out[i] = static_cast<char>(bytes >> (8 * (i - 4)) & 0xFFU);
  }
  return out;
}

}  // namespace

std::optional<std::string> UsbtmcFunction::control(const Setup& setup) {
  return (setup.type & type_mask) == class_type ? class_request(setup) : standard_request(setup);
}

std::optional<std::string> UsbtmcFunction::standard_request(const Setup& setup) {
  const auto endpoint = static_cast<std::uint8_t>(setup.index & 0xFFU);
  const bool of_endpoint = (setup.type & recipient_mask) == to_an_endpoint;
  switch (setup.request) {
    case get_status: {
      const bool halted = (endpoint == usbtmc_out && out_halted_) ||
                          (endpoint == usbtmc_in && in_halted_) ||
                          (endpoint == usbtmc_interrupt && interrupt_halted_);
      if (of_endpoint) return std::string{halted ? '\1' : '\0', '\0'};
      // A device says that it has its own power.
      return std::string{(setup.type & recipient_mask) == 0 ? '\1' : '\0', '\0'};
    }
    case clear_feature:
      if (of_endpoint && setup.value == 0) unhalt(endpoint);
      return std::string();
    case set_feature:
      if (of_endpoint && setup.value == 0) halt(endpoint);
      return std::string();
    case get_descriptor:
      return answer_descriptor(identity_, setup);
    case get_configuration:
      return std::string(1, '\1');
    case get_interface:
      return std::string(1, '\0');
    case set_configuration:
      reset();
      owner_.forget();
      return std::string();
    case set_interface:
      out_halted_ = in_halted_ = interrupt_halted_ = false;
      return std::string();
    default:
      return std::nullopt;
  }
}

std::optional<std::string> UsbtmcFunction::class_request(const Setup& setup) {
  ++counts_[setup.request];
  const auto request = static_cast<Request>(setup.request);
  const auto tag = static_cast<std::uint8_t>(setup.value & 0xFFU);
  const auto check = [&](Request begun, std::size_t length) {
    if (split_ != begun) return check_reply(Status::split_not_in_progress, false, 0, length);
    if (checks_ < flaws_.pending_checks) {
      ++checks_;
      return check_reply(Status::pending, short_due_, aborted_bytes_, length);
    }
    split_.reset();
    return check_reply(Status::success, false, aborted_bytes_, length);
  };
  switch (request) {
    case Request::initiate_abort_bulk_out:
      if (flaws_.no_abort) return std::nullopt;
      return initiate_abort_out(tag);
    case Request::check_abort_bulk_out_status:
      return check(Request::initiate_abort_bulk_out, 8);
    case Request::initiate_abort_bulk_in:
      if (flaws_.no_abort) return std::nullopt;
      return initiate_abort_in(tag);
    case Request::check_abort_bulk_in_status:
      return check(Request::initiate_abort_bulk_in, 8);
    case Request::initiate_clear:
      if (flaws_.no_clear) return std::nullopt;
      clear();
      return reply_of(Status::success);
    case Request::check_clear_status:
      return check(Request::initiate_clear, 2);
    case Request::get_capabilities: {
      Capabilities all;
      all.indicator_pulse = true;
      if (identity_.usb488) {
        all.version_488 = 0x0100;
        all.trigger = all.remote_local = all.is_488_2 = true;
        all.scpi = all.sr1 = all.rl1 = all.dt1 = true;
        if (!identity_.interrupt_pipe) all.is_488_2 = all.scpi = all.sr1 = false;
      }
      return encode(all);
    }
    case Request::indicator_pulse:
      return reply_of(Status::success);
    case Request::read_status_byte:
      if (!identity_.usb488) return std::nullopt;
      return read_status(tag);
    case Request::ren_control:
    case Request::go_to_local:
    case Request::local_lockout:
      if (!identity_.usb488) return std::nullopt;
      return reply_of(Status::success);
  }
  return std::nullopt;
}

std::string UsbtmcFunction::initiate_abort_out(std::uint8_t tag) {
  const char current = incoming_ ? static_cast<char>(incoming_->tag) : '\0';
  if (!incoming_ || incoming_->tag != tag) {
    const Status status = incoming_ ? Status::transfer_not_in_progress : Status::failed;
    return reply_of(status, std::string_view(&current, 1));
  }
  split_ = Request::initiate_abort_bulk_out;
  checks_ = 0;
  aborted_bytes_ = incoming_->received;
  incoming_.reset();
  in_message_ = false;
  out_halted_ = true;
  owner_.forget();
  return reply_of(Status::success, std::string_view(&current, 1));
}

std::string UsbtmcFunction::initiate_abort_in(std::uint8_t tag) {
  const char current = in_ ? static_cast<char>(in_->tag) : '\0';
  if (!in_) {
    const Status status = short_due_ ? Status::transfer_not_in_progress : Status::failed;
    return reply_of(status, std::string_view(&current, 1));
  }
  if (in_->tag != tag) {
    return reply_of(Status::transfer_not_in_progress, std::string_view(&current, 1));
  }
  split_ = Request::initiate_abort_bulk_in;
  checks_ = 0;
  aborted_bytes_ = in_->sent;
  in_.reset();
  wire_.clear();
  short_due_ = true;  // the transfer of the host that waits ends with an empty packet
  return reply_of(Status::success, std::string_view(&current, 1));
}

void UsbtmcFunction::clear() {
  const std::uint8_t tag = last_out_tag_;
  std::deque<std::string> notes = std::exchange(notifications_, {});
  reset();
  last_out_tag_ = tag;
  notifications_ = std::move(notes);
  split_ = Request::initiate_clear;
  checks_ = 0;
  aborted_bytes_ = 0;
  out_halted_ = true;  // until CLEAR_FEATURE (USBTMC 4.2.1.6)
  owner_.forget();
  owner_.cleared();
}

std::string UsbtmcFunction::read_status(std::uint8_t tag) {
  const auto reply = [tag](Status status, std::uint8_t byte) {
    return std::string{static_cast<char>(status), static_cast<char>(tag), static_cast<char>(byte)};
  };
  if (tag < 2 || tag > 127) return reply(Status::failed, 0);
  if (flaws_.busy_status > 0) {
    --flaws_.busy_status;
    return reply(Status::interrupt_in_busy, 0);
  }
  const std::uint8_t status = owner_.status_byte(has_output());
  if (!identity_.interrupt_pipe || flaws_.status_in_reply) return reply(Status::success, status);
  if (!notifications_.empty()) return reply(Status::interrupt_in_busy, 0);
  // The packet is queued before the request is answered (USB488 4.3.1).
  notifications_.push_back({static_cast<char>(0x80 | tag), static_cast<char>(status)});
  serve_interrupt();
  return reply(Status::success, 0);
}

}  // namespace nightbench::mock::transport
