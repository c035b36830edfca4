// USBTMC messages (USB Test and Measurement Class 1.0, 2003-04-14; USB488 subclass 1.0): bulk
// headers, class requests and their replies, to and from bytes, and the numbers that both ends
// share. Pure. Everything on the wire is little-endian.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <string>
#include <string_view>

#include "drivers/base/error.hpp"

namespace nightbench::link::usbtmc {

// Interface descriptor (USBTMC 5.5, tables 43 and 44). 0xFE is shared: all three count.
constexpr std::uint8_t interface_class = 0xFE;
constexpr std::uint8_t interface_subclass = 0x03;
constexpr std::uint8_t protocol_plain = 0;
constexpr std::uint8_t protocol_usb488 = 1;

constexpr std::size_t header_size = 12;
// Bulk-OUT transfers are padded to a multiple of this (USBTMC 3.2).
constexpr std::size_t alignment = 4;

enum class MsgId : std::uint8_t {
  dev_dep_msg_out = 1,
  request_dev_dep_msg_in = 2,  // and the answer to it, DEV_DEP_MSG_IN
  vendor_specific_out = 126,
  request_vendor_specific_in = 127,
  trigger = 128,  // USB488
};

// Bits of `attributes`.
constexpr std::uint8_t eom = 0x01;                // OUT and IN: the message ends in this transfer
constexpr std::uint8_t term_char_enabled = 0x02;  // REQUEST; in an answer: ended by it

// A bulk header (USBTMC tables 1 to 9). `size` is the payload without header and padding; of a
// REQUEST, the most that the answer may hold.
struct Header {
  MsgId id = MsgId::dev_dep_msg_out;  // may be a number that is not listed
  std::uint8_t tag = 1;               // 1 to 255
  std::uint32_t size = 0;
  std::uint8_t attributes = 0;
  std::uint8_t term_char = 0;
  bool operator==(const Header&) const = default;
};

std::string encode(const Header& header);
// Header, payload and 0 to 3 bytes of padding; `header.size` is set from `payload`.
std::string encode(Header header, std::string_view payload);
std::size_t padding_of(std::size_t payload);
// bad_data when there are fewer than header_size bytes, the tag is 0, or tag and complement
// disagree. Bytes behind the header are not looked at.
Result<Header> decode_header(std::string_view bytes);

// The tag after `tag`: 1 to 255, never 0.
constexpr std::uint8_t next_tag(std::uint8_t tag) {
  return tag == 255 ? std::uint8_t{1} : static_cast<std::uint8_t>(tag + 1);
}
// Of READ_STATUS_BYTE: 2 to 127 (USB488 4.3.1).
constexpr std::uint8_t next_status_tag(std::uint8_t tag) {
  return tag < 2 || tag >= 127 ? std::uint8_t{2} : static_cast<std::uint8_t>(tag + 1);
}

// Class requests on endpoint 0 (USBTMC table 15, USB488 table 9).
enum class Request : std::uint8_t {
  initiate_abort_bulk_out = 1,
  check_abort_bulk_out_status = 2,
  initiate_abort_bulk_in = 3,
  check_abort_bulk_in_status = 4,
  initiate_clear = 5,
  check_clear_status = 6,
  get_capabilities = 7,
  indicator_pulse = 64,
  read_status_byte = 128,
  ren_control = 160,
  go_to_local = 161,
  local_lockout = 162,
};
constexpr std::uint8_t to_interface = 0xA1;  // bmRequestType: IN, class, interface
constexpr std::uint8_t to_endpoint = 0xA2;   // IN, class, endpoint

// First byte of each reply (USBTMC table 16, USB488 table 10). From 0x80 on: failures.
enum class Status : std::uint8_t {
  success = 0x01,
  pending = 0x02,
  interrupt_in_busy = 0x20,  // a warning: read the notification and ask again
  failed = 0x80,
  transfer_not_in_progress = 0x81,
  split_not_in_progress = 0x82,
  split_in_progress = 0x83,
};
// "transfer not in progress (0x81)" ...
std::string describe(Status status);

// What a request of ours says on the wire.
struct Setup {
  std::uint8_t type = to_interface;
  std::uint8_t request = 0;
  std::uint16_t value = 0;
  std::uint16_t index = 0;
  std::uint16_t length = 0;  // of the reply
  bool operator==(const Setup&) const = default;
};
using SetupBytes = std::array<std::uint8_t, 8>;
SetupBytes encode(const Setup& setup);
Setup decode_setup(const SetupBytes& bytes);

// Reply to CHECK_ABORT_BULK_OUT_STATUS, CHECK_ABORT_BULK_IN_STATUS (8 bytes) and
// CHECK_CLEAR_STATUS (2 bytes).
struct Check {
  Status status = Status::success;
  bool fifo_has_data = false;  // read the bulk-IN pipe before asking again
  std::uint32_t bytes = 0;     // received or sent of the aborted transfer; 0 of a clear
};
// bad_data when the reply is shorter than 2 bytes.
Result<Check> decode_check(std::string_view reply);

// Reply to GET_CAPABILITIES (USBTMC table 37, USB488 table 8). Some devices declare the bits in the
// wrong order: nothing may be refused because of them alone.
struct Capabilities {
  std::uint16_t version = 0x0100;
  bool indicator_pulse = false;
  bool talk_only = false;
  bool listen_only = false;
  bool term_char = false;
  std::uint16_t version_488 = 0;
  bool is_488_2 = false;
  bool remote_local = false;  // REN_CONTROL, GO_TO_LOCAL, LOCAL_LOCKOUT
  bool trigger = false;
  bool scpi = false;
  bool sr1 = false;
  bool rl1 = false;
  bool dt1 = false;
  bool operator==(const Capabilities&) const = default;
};
constexpr std::size_t capabilities_size = 24;
std::string encode(const Capabilities& capabilities);
// bad_data when the reply is shorter than 24 bytes or does not begin with success.
Result<Capabilities> decode_capabilities(std::string_view reply);

// A packet on the interrupt-IN pipe (USB488 3.4): an answer to READ_STATUS_BYTE or a service
// request.
struct Notification {
  enum class Kind : std::uint8_t { service_request, status, other };
  Kind kind = Kind::other;
  std::uint8_t tag = 0;  // of a status
  std::uint8_t status_byte = 0;
};
// Packets that are too short or of a reserved kind are `other`.
Notification decode_notification(std::string_view packet);

}  // namespace nightbench::link::usbtmc
