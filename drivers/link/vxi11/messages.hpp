// The programs and procedures of VXI-11 revision 1.0 (appendix C, RPCL listing), and of the port
// mapper (RFC 1833, clause 3): arguments and results as values, to and from XDR. Both ends use
// them. Times are milliseconds. Errors of the decoders: bad_data.
#pragma once

#include <cstddef>
#include <cstdint>
#include <string>
#include <string_view>

#include "drivers/base/error.hpp"

namespace nightbench::link::vxi11 {

constexpr std::uint32_t core_program = 0x0607AF;
constexpr std::uint32_t abort_program = 0x0607B0;
constexpr std::uint32_t program_version = 1;

enum class Procedure : std::uint32_t {
  null = 0,
  create_link = 10,
  device_write = 11,
  device_read = 12,
  device_readstb = 13,
  device_trigger = 14,
  device_clear = 15,
  device_remote = 16,
  device_local = 17,
  device_lock = 18,
  device_unlock = 19,
  device_enable_srq = 20,
  device_docmd = 22,
  destroy_link = 23,
  create_intr_chan = 25,
  destroy_intr_chan = 26,
};
constexpr std::uint32_t device_abort = 1;  // of abort_program

enum class DeviceError : std::uint32_t {
  none = 0,
  syntax = 1,
  not_accessible = 3,
  invalid_link = 4,
  parameter = 5,
  no_channel = 6,
  not_supported = 8,
  out_of_resources = 9,
  locked_by_another = 11,
  no_lock_held = 12,
  io_timeout = 15,
  io_error = 17,
  invalid_address = 21,
  aborted = 23,
  channel_exists = 29,
};
const char* describe(DeviceError error);

namespace flag {
constexpr std::uint32_t wait_lock = 0x01;
constexpr std::uint32_t end = 0x08;
constexpr std::uint32_t termination_character = 0x80;
}  // namespace flag
namespace reason {
constexpr std::uint32_t request_count = 0x01;
constexpr std::uint32_t character = 0x02;
constexpr std::uint32_t end = 0x04;
}  // namespace reason

// A device that cannot take this much breaks rule B.6.3.
constexpr std::size_t least_receive = 1024;
constexpr std::size_t most_device_name = 256;

struct CreateLink {
  std::int32_t client = 0;
  bool lock = false;
  std::uint32_t lock_timeout_ms = 0;
  std::string device;
};
struct CreatedLink {
  DeviceError error = DeviceError::none;
  std::int32_t link = 0;
  std::uint32_t abort_port = 0;
  std::uint32_t most_receive = 0;  // maxRecvSize
};
struct Write {
  std::int32_t link = 0;
  std::uint32_t io_timeout_ms = 0;
  std::uint32_t lock_timeout_ms = 0;
  std::uint32_t flags = 0;
  std::string_view data;  // borrowed
};
struct Written {
  DeviceError error = DeviceError::none;
  std::uint32_t size = 0;
};
struct Read {
  std::int32_t link = 0;
  std::uint32_t size = 0;
  std::uint32_t io_timeout_ms = 0;
  std::uint32_t lock_timeout_ms = 0;
  std::uint32_t flags = 0;
  char termination_character = 0;
};
struct ReadResult {
  DeviceError error = DeviceError::none;
  std::uint32_t reason = 0;
  std::string_view data;  // borrowed
};
// readstb, trigger, clear, remote, local: the two times stand in the other order here.
struct Generic {
  std::int32_t link = 0;
  std::uint32_t flags = 0;
  std::uint32_t lock_timeout_ms = 0;
  std::uint32_t io_timeout_ms = 0;
};
struct Lock {
  std::int32_t link = 0;
  std::uint32_t flags = 0;
  std::uint32_t lock_timeout_ms = 0;
};
struct StatusByte {
  DeviceError error = DeviceError::none;
  std::uint8_t byte = 0;
};

std::string encode(const CreateLink& arguments);
std::string encode(const CreatedLink& result);
std::string encode(const Write& arguments);
std::string encode(const Written& result);
std::string encode(const Read& arguments);
std::string encode(const ReadResult& result);
std::string encode(const Generic& arguments);
std::string encode(const Lock& arguments);
std::string encode(const StatusByte& result);
// A lone link number (unlock, destroy, abort) and a lone error.
std::string encode_link(std::int32_t link);
std::string encode_error(DeviceError error);

Result<CreateLink> decode_create_link(std::string_view xdr);
Result<CreatedLink> decode_created_link(std::string_view xdr);
// `most`: data above it is refused.
Result<Write> decode_write(std::string_view xdr, std::size_t most);
Result<Written> decode_written(std::string_view xdr);
Result<Read> decode_read(std::string_view xdr);
Result<ReadResult> decode_read_result(std::string_view xdr, std::size_t most);
Result<Generic> decode_generic(std::string_view xdr);
Result<Lock> decode_lock(std::string_view xdr);
Result<StatusByte> decode_status_byte(std::string_view xdr);
Result<std::int32_t> decode_link(std::string_view xdr);
Result<DeviceError> decode_error(std::string_view xdr);

// ---- port mapper, RFC 1833 clause 3 ----

constexpr std::uint32_t port_mapper_program = 100000;
constexpr std::uint32_t port_mapper_version = 2;
constexpr std::uint16_t port_mapper_port = 111;
constexpr std::uint32_t protocol_tcp = 6;
constexpr std::uint32_t protocol_udp = 17;
enum class PortMapperProcedure : std::uint32_t {
  null = 0,
  set = 1,
  unset = 2,
  getport = 3,
  dump = 4
};

struct Mapping {
  std::uint32_t program = 0;
  std::uint32_t version = 0;
  std::uint32_t protocol = 0;
  std::uint32_t port = 0;  // 0 in a GETPORT argument
  bool operator==(const Mapping&) const = default;
};
std::string encode(const Mapping& mapping);
Result<Mapping> decode_mapping(std::string_view xdr);
// The result of GETPORT: 0 means not registered. Above 65535: bad_data.
Result<std::uint16_t> decode_port(std::string_view xdr);

}  // namespace nightbench::link::vxi11
