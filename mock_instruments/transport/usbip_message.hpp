// USB/IP messages (Linux kernel, Documentation/usb/usbip_protocol.rst; version 0x0111): operations
// before an import, URB messages after it, to and from bytes. Pure. Big-endian, except the 8 setup
// bytes and the payload, which stay as on the USB wire.
#pragma once

#include <cstddef>
#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/base/error.hpp"
#include "drivers/link/usbtmc/message.hpp"

namespace nightbench::mock::transport::usbip {

constexpr std::uint16_t default_port = 3240;
constexpr std::uint16_t version = 0x0111;

enum class Operation : std::uint16_t {
  request_list = 0x8005,
  reply_list = 0x0005,
  request_import = 0x8003,
  reply_import = 0x0003,
};
constexpr std::size_t operation_size = 8;
constexpr std::size_t busid_size = 32;
constexpr std::size_t record_size = 312;
// Status of a reply.
constexpr std::uint32_t op_ok = 0;
constexpr std::uint32_t op_busy = 2;
constexpr std::uint32_t op_no_device = 4;

struct OperationHeader {
  Operation code = Operation::request_list;
  std::uint32_t status = 0;
};
std::string encode(const OperationHeader& header);
// bad_data unless the version is ours. At least operation_size bytes.
Result<OperationHeader> decode_operation(std::string_view bytes);
// A bus id as the request for an import carries it, NUL padded.
std::string encode_busid(std::string_view busid);
std::string decode_busid(std::string_view bytes);

struct DeviceRecord {
  std::string path;
  std::string busid = "1-1";
  std::uint32_t busnum = 1;
  std::uint32_t devnum = 2;
  std::uint32_t speed = 3;
  std::uint16_t vendor = 0;
  std::uint16_t product = 0;
  std::uint16_t release = 0x0100;
  std::uint8_t device_class = 0, device_subclass = 0, device_protocol = 0;
  std::uint8_t configuration = 1;
  std::uint8_t configurations = 1;
  std::uint8_t interfaces = 1;
  std::uint32_t devid() const { return busnum << 16U | devnum; }
  bool operator==(const DeviceRecord&) const = default;
};
std::string encode(const DeviceRecord& record);
Result<DeviceRecord> decode_record(std::string_view bytes);

// URB messages: 48 bytes each, then the OUT data of a submit or the IN data of its return.
constexpr std::size_t urb_size = 48;
enum class Kind : std::uint32_t { submit = 1, unlink = 2, submitted = 3, unlinked = 4 };
constexpr std::uint32_t short_not_ok = 0x01;  // transfer_flags

struct Command {
  Kind kind = Kind::submit;  // or unlink
  std::uint32_t seqnum = 0;
  std::uint32_t devid = 0;
  bool in = false;
  std::uint32_t endpoint = 0;  // without the direction bit
  std::uint32_t flags = 0;
  std::uint32_t length = 0;  // of the buffer
  std::uint32_t interval = 0;
  link::usbtmc::SetupBytes setup{};
  std::uint32_t unlink = 0;  // seqnum of the submit to call off
  bool operator==(const Command&) const = default;
};
std::string encode(const Command& command);
// bad_data for another kind, an endpoint above 15, or isochronous transfers. At least urb_size
// bytes.
Result<Command> decode_command(std::string_view bytes);

struct Reply {
  Kind kind = Kind::submitted;  // or unlinked
  std::uint32_t seqnum = 0;
  std::int32_t status = 0;  // 0 or a negative Linux errno
  std::uint32_t actual = 0;
  bool operator==(const Reply&) const = default;
};
std::string encode(const Reply& reply);
Result<Reply> decode_reply(std::string_view bytes);

}  // namespace nightbench::mock::transport::usbip
