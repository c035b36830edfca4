// HiSLIP messages (IVI-6.1, table 3 and 4): the 16-byte header, to and from bytes, and the numbers
// that both ends share. Pure. Revisions 1.0 and 2.0 without encryption.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <string>
#include <string_view>

#include "drivers/base/error.hpp"

namespace nightbench::link::hislip {

constexpr std::uint16_t default_port = 4880;
constexpr std::uint16_t version_1_0 = 0x0100;
constexpr std::uint16_t version_2_0 = 0x0200;
constexpr std::size_t header_size = 16;

enum class Type : std::uint8_t {
  initialize = 0,
  initialize_response = 1,
  fatal_error = 2,
  error = 3,
  async_lock = 4,
  async_lock_response = 5,
  data = 6,
  data_end = 7,
  device_clear_complete = 8,
  device_clear_acknowledge = 9,
  async_remote_local_control = 10,
  async_remote_local_response = 11,
  trigger = 12,
  interrupted = 13,
  async_interrupted = 14,
  async_maximum_message_size = 15,
  async_maximum_message_size_response = 16,
  async_initialize = 17,
  async_initialize_response = 18,
  async_device_clear = 19,
  async_service_request = 20,
  async_status_query = 21,
  async_status_response = 22,
  async_device_clear_acknowledge = 23,
  async_lock_info = 24,
  async_lock_info_response = 25,
};
const char* name(Type type);

// Control code bits.
constexpr std::uint8_t rmt_delivered = 0x01;      // Data, DataEnd, Trigger, AsyncStatusQuery
constexpr std::uint8_t prefer_overlap = 0x01;     // InitializeResponse, device clear
constexpr std::uint8_t demand_encryption = 0x02;  // InitializeResponse, 2.0
constexpr std::uint8_t initial_encryption = 0x04;

// Message numbers (clause 3.1.2).
constexpr std::uint32_t first_message_id = 0xFFFFFF00;
constexpr std::uint32_t before_first_message_id =
    0xFFFFFEFE;                                       // in a status query, when none was sent
constexpr std::uint32_t any_message_id = 0xFFFFFFFF;  // in a server's Data

enum class Fatal : std::uint8_t {
  unidentified = 0,
  bad_header = 1,
  channels_not_established = 2,
  bad_initialization = 3,
  too_many_clients = 4,
  secure_connection_failed = 5,
};
enum class NonFatal : std::uint8_t {
  unidentified = 0,
  unknown_type = 1,
  unknown_control_code = 2,
  unknown_vendor_message = 3,
  too_large = 4,
};
// "too many clients" ...
std::string describe_fatal(std::uint8_t code);
std::string describe_error(std::uint8_t code);

struct Header {
  Type type = Type::data;  // may be a number that is not listed
  std::uint8_t control = 0;
  std::uint32_t parameter = 0;
  std::uint64_t payload = 0;  // bytes that follow
  bool operator==(const Header&) const = default;
};

using HeaderBytes = std::array<char, header_size>;
HeaderBytes encode(const Header& header);
// Header and payload; `header.payload` is set from `payload`.
std::string encode(Header header, std::string_view payload);
// bad_data unless `bytes` begin with "HS". At least header_size bytes.
Result<Header> decode_header(std::string_view bytes);

// The 8-byte payload of the maximum message size exchange.
std::string encode_size(std::uint64_t size);
Result<std::uint64_t> decode_size(std::string_view payload);

}  // namespace nightbench::link::hislip
