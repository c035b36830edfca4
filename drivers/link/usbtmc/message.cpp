#include "drivers/link/usbtmc/message.hpp"

#include <cstdio>

namespace nightbench::link::usbtmc {
namespace {

std::uint8_t byte(std::string_view bytes, std::size_t at) {
  return static_cast<std::uint8_t>(bytes[at]);
}

template <typename T>
void put(std::string& out, T value) {
  for (std::size_t i = 0; i < sizeof value; ++i) out += static_cast<char>(value >> (8 * i) & 0xFF);
}

std::uint32_t get32(std::string_view bytes, std::size_t at) {
  std::uint32_t value = 0;
  for (std::size_t i = 0; i < 4; ++i) value |= std::uint32_t{byte(bytes, at + i)} << (8 * i);
  return value;
}

std::uint16_t get16(std::string_view bytes, std::size_t at) {
  return static_cast<std::uint16_t>(byte(bytes, at) | byte(bytes, at + 1) << 8);
}

constexpr std::uint8_t bit(bool set, int position) {
  return static_cast<std::uint8_t>(set ? 1U << position : 0U);
}

std::unexpected<Error> too_short(const char* what, std::size_t found, std::size_t wanted) {
  return fail(ErrorKind::bad_data, std::string("USBTMC: ") + what + " of " + std::to_string(found) +
                                       " bytes, at least " + std::to_string(wanted) + " expected");
}

}  // namespace

std::size_t padding_of(std::size_t payload) {
  return (alignment - (header_size + payload) % alignment) % alignment;
}

std::string encode(const Header& header) {
  std::string out;
  out += static_cast<char>(header.id);
  out += static_cast<char>(header.tag);
  out += static_cast<char>(~header.tag);
  out += '\0';
  put(out, header.size);
  out += static_cast<char>(header.attributes);
  out += static_cast<char>(header.term_char);
  put(out, std::uint16_t{0});
  return out;
}

std::string encode(Header header, std::string_view payload) {
  header.size = static_cast<std::uint32_t>(payload.size());
  std::string out = encode(header);
  out.reserve(header_size + payload.size() + alignment);
  out += payload;
  out.append(padding_of(payload.size()), '\0');
  return out;
}

Result<Header> decode_header(std::string_view bytes) {
  if (bytes.size() < header_size) return too_short("a header", bytes.size(), header_size);
  if (byte(bytes, 1) == 0 || (byte(bytes, 1) ^ byte(bytes, 2)) != 0xFF) {
    return fail(ErrorKind::bad_data, "USBTMC: a header whose tag " +
                                         std::to_string(byte(bytes, 1)) + " and its complement " +
                                         std::to_string(byte(bytes, 2)) + " do not go together");
  }
  Header header;
  header.id = static_cast<MsgId>(byte(bytes, 0));
  header.tag = byte(bytes, 1);
  header.size = get32(bytes, 4);
  header.attributes = byte(bytes, 8);
  header.term_char = byte(bytes, 9);
  return header;
}

std::string describe(Status status) {
  const char* word = "unknown status";
  switch (status) {
    case Status::success:
      word = "success";
      break;
    case Status::pending:
      word = "pending";
      break;
    case Status::interrupt_in_busy:
      word = "a notification is under way";
      break;
    case Status::failed:
      word = "failed";
      break;
    case Status::transfer_not_in_progress:
      word = "transfer not in progress";
      break;
    case Status::split_not_in_progress:
      word = "no such request in progress";
      break;
    case Status::split_in_progress:
      word = "another request in progress";
      break;
  }
  char number[8];
  std::snprintf(number, sizeof number, "0x%02X", static_cast<unsigned>(status));
  return std::string(word) + " (" + number + ")";
}

SetupBytes encode(const Setup& setup) {
  const auto low = [](std::uint16_t value) { return static_cast<std::uint8_t>(value & 0xFF); };
  const auto high = [](std::uint16_t value) { return static_cast<std::uint8_t>(value >> 8); };
  return {setup.type,       setup.request,     low(setup.value),  high(setup.value),
          low(setup.index), high(setup.index), low(setup.length), high(setup.length)};
}

Setup decode_setup(const SetupBytes& bytes) {
  const auto word = [&](std::size_t at) {
    return static_cast<std::uint16_t>(bytes[at] | bytes[at + 1] << 8);
  };
  Setup setup;
  setup.type = bytes[0];
  setup.request = bytes[1];
  setup.value = word(2);
  setup.index = word(4);
  setup.length = word(6);
  return setup;
}

Result<Check> decode_check(std::string_view reply) {
  if (reply.size() < 2) return too_short("a status reply", reply.size(), 2);
  Check check;
  check.status = static_cast<Status>(byte(reply, 0));
  check.fifo_has_data = (byte(reply, 1) & 1) != 0;
  if (reply.size() >= 8) check.bytes = get32(reply, 4);
  return check;
}

std::string encode(const Capabilities& c) {
  std::string out(capabilities_size, '\0');
  const auto set = [&out](std::size_t at, unsigned value) { out[at] = static_cast<char>(value); };
  set(0, static_cast<unsigned>(Status::success));
  set(2, c.version & 0xFFU);
  set(3, c.version >> 8U);
  set(4, bit(c.indicator_pulse, 2) | bit(c.talk_only, 1) | bit(c.listen_only, 0));
  set(5, bit(c.term_char, 0));
  set(12, c.version_488 & 0xFFU);
  set(13, c.version_488 >> 8U);
  set(14, bit(c.is_488_2, 2) | bit(c.remote_local, 1) | bit(c.trigger, 0));
  set(15, bit(c.scpi, 3) | bit(c.sr1, 2) | bit(c.rl1, 1) | bit(c.dt1, 0));
  return out;
}

Result<Capabilities> decode_capabilities(std::string_view reply) {
  if (reply.size() < capabilities_size) {
    return too_short("capabilities", reply.size(), capabilities_size);
  }
  const auto status = static_cast<Status>(byte(reply, 0));
  if (status != Status::success) {
    return fail(ErrorKind::bad_data, "USBTMC: capabilities with status " + describe(status));
  }
  const auto has = [&](std::size_t at, int position) {
    return (byte(reply, at) >> position & 1) != 0;
  };
  Capabilities c;
  c.version = get16(reply, 2);
  c.indicator_pulse = has(4, 2);
  c.talk_only = has(4, 1);
  c.listen_only = has(4, 0);
  c.term_char = has(5, 0);
  c.version_488 = get16(reply, 12);
  c.is_488_2 = has(14, 2);
  c.remote_local = has(14, 1);
  c.trigger = has(14, 0);
  c.scpi = has(15, 3);
  c.sr1 = has(15, 2);
  c.rl1 = has(15, 1);
  c.dt1 = has(15, 0);
  return c;
}

Notification decode_notification(std::string_view packet) {
  Notification out;
  if (packet.size() < 2) return out;
  const std::uint8_t first = byte(packet, 0);
  if (first < 0x81) return out;
  out.status_byte = byte(packet, 1);
  if (first == 0x81) {
    out.kind = Notification::Kind::service_request;
  } else {
    out.kind = Notification::Kind::status;
    out.tag = first & 0x7F;
  }
  return out;
}

}  // namespace nightbench::link::usbtmc
