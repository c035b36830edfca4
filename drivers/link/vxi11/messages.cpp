#include "drivers/link/vxi11/messages.hpp"

#include "drivers/link/vxi11/xdr.hpp"

namespace nightbench::link::vxi11 {
namespace {

std::uint32_t word(DeviceError error) {
  return static_cast<std::uint32_t>(error);
}
std::uint32_t word(std::int32_t link) {
  return static_cast<std::uint32_t>(link);
}

Result<std::int32_t> link_number(XdrReader& in) {
  TRY_ASSIGN(const std::uint32_t value, in.word());
  return static_cast<std::int32_t>(value);
}
Result<DeviceError> error_code(XdrReader& in) {
  TRY_ASSIGN(const std::uint32_t value, in.word());
  return static_cast<DeviceError>(value);
}

}  // namespace

const char* describe(DeviceError error) {
  switch (error) {
    case DeviceError::none:
      return "no error";
    case DeviceError::syntax:
      return "syntax error";
    case DeviceError::not_accessible:
      return "there is no such device there";
    case DeviceError::invalid_link:
      return "the link number is not known there";
    case DeviceError::parameter:
      return "parameter error";
    case DeviceError::no_channel:
      return "the channel is not established";
    case DeviceError::not_supported:
      return "the device does not do that";
    case DeviceError::out_of_resources:
      return "no link is free there; try again later";
    case DeviceError::locked_by_another:
      return "the device is locked by another link";
    case DeviceError::no_lock_held:
      return "this link holds no lock";
    case DeviceError::io_timeout:
      return "time-out in the device";
    case DeviceError::io_error:
      return "input or output error in the device";
    case DeviceError::invalid_address:
      return "invalid address";
    case DeviceError::aborted:
      return "aborted";
    case DeviceError::channel_exists:
      return "the channel is established already";
  }
  return "unknown error";
}

std::string encode(const CreateLink& a) {
  XdrWriter out;
  out.word(word(a.client)).boolean(a.lock).word(a.lock_timeout_ms).opaque(a.device);
  return out.take();
}
std::string encode(const CreatedLink& r) {
  XdrWriter out;
  out.word(word(r.error)).word(word(r.link)).word(r.abort_port).word(r.most_receive);
  return out.take();
}
std::string encode(const Write& a) {
  XdrWriter out;
  out.reserve(24 + a.data.size());
  out.word(word(a.link)).word(a.io_timeout_ms).word(a.lock_timeout_ms).word(a.flags);
  out.opaque(a.data);
  return out.take();
}
std::string encode(const Written& r) {
  XdrWriter out;
  out.word(word(r.error)).word(r.size);
  return out.take();
}
std::string encode(const Read& a) {
  XdrWriter out;
  out.word(word(a.link)).word(a.size).word(a.io_timeout_ms).word(a.lock_timeout_ms);
  out.word(a.flags).word(static_cast<unsigned char>(a.termination_character));
  return out.take();
}
std::string encode(const ReadResult& r) {
  XdrWriter out;
  out.reserve(16 + r.data.size());
  out.word(word(r.error)).word(r.reason).opaque(r.data);
  return out.take();
}
std::string encode(const Generic& a) {
  XdrWriter out;
  out.word(word(a.link)).word(a.flags).word(a.lock_timeout_ms).word(a.io_timeout_ms);
  return out.take();
}
std::string encode(const Lock& a) {
  XdrWriter out;
  out.word(word(a.link)).word(a.flags).word(a.lock_timeout_ms);
  return out.take();
}
std::string encode(const StatusByte& r) {
  XdrWriter out;
  out.word(word(r.error)).word(r.byte);
  return out.take();
}
std::string encode_link(std::int32_t link) {
  return XdrWriter().word(word(link)).take();
}
std::string encode_error(DeviceError error) {
  return XdrWriter().word(word(error)).take();
}

Result<CreateLink> decode_create_link(std::string_view xdr) {
  XdrReader in(xdr);
  CreateLink out;
  TRY_ASSIGN(out.client, link_number(in));
  TRY_ASSIGN(out.lock, in.boolean());
  TRY_ASSIGN(out.lock_timeout_ms, in.word());
  TRY_ASSIGN(out.device, in.opaque(most_device_name));
  return out;
}

Result<CreatedLink> decode_created_link(std::string_view xdr) {
  XdrReader in(xdr);
  CreatedLink out;
  TRY_ASSIGN(out.error, error_code(in));
  TRY_ASSIGN(out.link, link_number(in));
  TRY_ASSIGN(out.abort_port, in.word());
  out.abort_port &= 0xFFFF;
  TRY_ASSIGN(out.most_receive, in.word());
  return out;
}

Result<Write> decode_write(std::string_view xdr, std::size_t most) {
  XdrReader in(xdr);
  Write out;
  TRY_ASSIGN(out.link, link_number(in));
  TRY_ASSIGN(out.io_timeout_ms, in.word());
  TRY_ASSIGN(out.lock_timeout_ms, in.word());
  TRY_ASSIGN(out.flags, in.word());
  TRY_ASSIGN(out.data, in.opaque(most));
  return out;
}

Result<Written> decode_written(std::string_view xdr) {
  XdrReader in(xdr);
  Written out;
  TRY_ASSIGN(out.error, error_code(in));
  TRY_ASSIGN(out.size, in.word());
  return out;
}

Result<Read> decode_read(std::string_view xdr) {
  XdrReader in(xdr);
  Read out;
  TRY_ASSIGN(out.link, link_number(in));
  TRY_ASSIGN(out.size, in.word());
  TRY_ASSIGN(out.io_timeout_ms, in.word());
  TRY_ASSIGN(out.lock_timeout_ms, in.word());
  TRY_ASSIGN(out.flags, in.word());
  TRY_ASSIGN(const std::uint32_t character, in.word());
  out.termination_character = static_cast<char>(character & 0xFF);
  return out;
}

Result<ReadResult> decode_read_result(std::string_view xdr, std::size_t most) {
  XdrReader in(xdr);
  ReadResult out;
  TRY_ASSIGN(out.error, error_code(in));
  TRY_ASSIGN(out.reason, in.word());
  TRY_ASSIGN(out.data, in.opaque(most));
  return out;
}

Result<Generic> decode_generic(std::string_view xdr) {
  XdrReader in(xdr);
  Generic out;
  TRY_ASSIGN(out.link, link_number(in));
  TRY_ASSIGN(out.flags, in.word());
  TRY_ASSIGN(out.lock_timeout_ms, in.word());
  TRY_ASSIGN(out.io_timeout_ms, in.word());
  return out;
}

Result<Lock> decode_lock(std::string_view xdr) {
  XdrReader in(xdr);
  Lock out;
  TRY_ASSIGN(out.link, link_number(in));
  TRY_ASSIGN(out.flags, in.word());
  TRY_ASSIGN(out.lock_timeout_ms, in.word());
  return out;
}

Result<StatusByte> decode_status_byte(std::string_view xdr) {
  XdrReader in(xdr);
  StatusByte out;
  TRY_ASSIGN(out.error, error_code(in));
  TRY_ASSIGN(const std::uint32_t byte, in.word());
  out.byte = static_cast<std::uint8_t>(byte & 0xFF);
  return out;
}

Result<std::int32_t> decode_link(std::string_view xdr) {
  XdrReader in(xdr);
  return link_number(in);
}
Result<DeviceError> decode_error(std::string_view xdr) {
  XdrReader in(xdr);
  return error_code(in);
}

std::string encode(const Mapping& m) {
  XdrWriter out;
  out.word(m.program).word(m.version).word(m.protocol).word(m.port);
  return out.take();
}

Result<Mapping> decode_mapping(std::string_view xdr) {
  XdrReader in(xdr);
  Mapping out;
  TRY_ASSIGN(out.program, in.word());
  TRY_ASSIGN(out.version, in.word());
  TRY_ASSIGN(out.protocol, in.word());
  TRY_ASSIGN(out.port, in.word());
  return out;
}

Result<std::uint16_t> decode_port(std::string_view xdr) {
  XdrReader in(xdr);
  TRY_ASSIGN(const std::uint32_t port, in.word());
  if (port > 65535) {
    return fail(ErrorKind::bad_data, "the port mapper names port " + std::to_string(port));
  }
  return static_cast<std::uint16_t>(port);
}

}  // namespace nightbench::link::vxi11
