#include "mock_instruments/transport/usbip_message.hpp"

#include <algorithm>

namespace nightbench::mock::transport::usbip {
namespace {

constexpr std::uint32_t not_isochronous = 0xFFFFFFFF;
constexpr std::size_t path_size = 256;

template <typename T>
void put(std::string& out, T value) {
  for (std::size_t i = sizeof value; i-- > 0;) out += static_cast<char>(value >> (8 * i) & 0xFF);
}

std::uint32_t get(std::string_view bytes, std::size_t at, std::size_t count = 4) {
  std::uint32_t value = 0;
  for (std::size_t i = 0; i < count; ++i) {
    value = value << 8U | static_cast<std::uint8_t>(bytes[at + i]);
  }
  return value;
}

std::string padded(std::string_view text, std::size_t size) {
  std::string out(text.substr(0, size - 1));
  out.resize(size, '\0');
  return out;
}

std::string text_of(std::string_view bytes) {
  return std::string(bytes.substr(0, bytes.find('\0')));
}

std::unexpected<Error> bad(const std::string& text) {
  return fail(ErrorKind::bad_data, "USB/IP: " + text);
}

Result<void> enough(std::string_view bytes, std::size_t wanted) {
  if (bytes.size() >= wanted) return {};
  return bad("a message of " + std::to_string(bytes.size()) + " bytes, " + std::to_string(wanted) +
             " expected");
}

}  // namespace

std::string encode(const OperationHeader& header) {
  std::string out;
  put(out, version);
  put(out, static_cast<std::uint16_t>(header.code));
  put(out, header.status);
  return out;
}

Result<OperationHeader> decode_operation(std::string_view bytes) {
  TRY(enough(bytes, operation_size));
  if (get(bytes, 0, 2) != version) {
    return bad("version " + std::to_string(get(bytes, 0, 2)) + ", expected " +
               std::to_string(version));
  }
  OperationHeader header;
  header.code = static_cast<Operation>(get(bytes, 2, 2));
  header.status = get(bytes, 4);
  return header;
}

std::string encode_busid(std::string_view busid) {
  return padded(busid, busid_size);
}

std::string decode_busid(std::string_view bytes) {
  return text_of(bytes.substr(0, busid_size));
}

std::string encode(const DeviceRecord& record) {
  std::string out = padded(record.path, path_size) + padded(record.busid, busid_size);
  put(out, record.busnum);
  put(out, record.devnum);
  put(out, record.speed);
  put(out, record.vendor);
  put(out, record.product);
  put(out, record.release);
  for (const std::uint8_t value :
       {record.device_class, record.device_subclass, record.device_protocol, record.configuration,
        record.configurations, record.interfaces}) {
    put(out, value);
  }
  return out;
}

Result<DeviceRecord> decode_record(std::string_view bytes) {
  TRY(enough(bytes, record_size));
  const auto byte = [&](std::size_t at) { return static_cast<std::uint8_t>(bytes[at]); };
  const auto word = [&](std::size_t at) { return static_cast<std::uint16_t>(get(bytes, at, 2)); };
  DeviceRecord record;
  record.path = text_of(bytes.substr(0, path_size));
  record.busid = text_of(bytes.substr(0x100, busid_size));
  record.busnum = get(bytes, 0x120);
  record.devnum = get(bytes, 0x124);
  record.speed = get(bytes, 0x128);
  record.vendor = word(0x12C);
  record.product = word(0x12E);
  record.release = word(0x130);
  record.device_class = byte(0x132);
  record.device_subclass = byte(0x133);
  record.device_protocol = byte(0x134);
  record.configuration = byte(0x135);
  record.configurations = byte(0x136);
  record.interfaces = byte(0x137);
  return record;
}

std::string encode(const Command& command) {
  std::string out;
  put(out, static_cast<std::uint32_t>(command.kind));
  put(out, command.seqnum);
  put(out, command.devid);
  put(out, command.in ? std::uint32_t{1} : std::uint32_t{0});
  put(out, command.endpoint);
  if (command.kind == Kind::unlink) {
    put(out, command.unlink);
  } else {
    put(out, command.flags);
    put(out, command.length);
    put(out, std::uint32_t{0});
    put(out, not_isochronous);
    put(out, command.interval);
    for (const std::uint8_t each : command.setup) out += static_cast<char>(each);
  }
  out.resize(urb_size, '\0');
  return out;
}

Result<Command> decode_command(std::string_view bytes) {
  TRY(enough(bytes, urb_size));
  Command out;
  out.kind = static_cast<Kind>(get(bytes, 0));
  if (out.kind != Kind::submit && out.kind != Kind::unlink) {
    return bad("a command of kind " + std::to_string(get(bytes, 0)));
  }
  out.seqnum = get(bytes, 4);
  out.devid = get(bytes, 8);
  out.in = get(bytes, 12) != 0;
  out.endpoint = get(bytes, 16);
  if (out.endpoint > 15) return bad("endpoint " + std::to_string(out.endpoint));
  if (out.kind == Kind::unlink) {
    out.unlink = get(bytes, 20);
    return out;
  }
  out.flags = get(bytes, 20);
  out.length = get(bytes, 24);
  // 0 comes as well where the transfer is not isochronous.
  if (get(bytes, 32) != not_isochronous && get(bytes, 32) != 0) return bad("isochronous transfer");
  out.interval = get(bytes, 36);
  for (std::size_t i = 0; i < out.setup.size(); ++i) {
    out.setup[i] = static_cast<std::uint8_t>(bytes[40 + i]);
  }
  return out;
}

std::string encode(const Reply& reply) {
  std::string out;
  put(out, static_cast<std::uint32_t>(reply.kind));
  put(out, reply.seqnum);
  out.resize(20, '\0');  // device, direction and endpoint are 0 in answers
  put(out, static_cast<std::uint32_t>(reply.status));
  if (reply.kind == Kind::submitted) {
    put(out, reply.actual);
    put(out, std::uint32_t{0});
    put(out, not_isochronous);
  }
  out.resize(urb_size, '\0');
  return out;
}

Result<Reply> decode_reply(std::string_view bytes) {
  TRY(enough(bytes, urb_size));
  Reply out;
  out.kind = static_cast<Kind>(get(bytes, 0));
  if (out.kind != Kind::submitted && out.kind != Kind::unlinked) {
    return bad("an answer of kind " + std::to_string(get(bytes, 0)));
  }
  out.seqnum = get(bytes, 4);
  out.status = static_cast<std::int32_t>(get(bytes, 20));
  if (out.kind == Kind::submitted) out.actual = get(bytes, 24);
  return out;
}

}  // namespace nightbench::mock::transport::usbip
