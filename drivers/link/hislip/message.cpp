#include "drivers/link/hislip/message.hpp"

namespace nightbench::link::hislip {
namespace {

void put(char* to, std::uint64_t value, std::size_t bytes) {
  for (std::size_t i = 0; i < bytes; ++i) {
    to[i] = static_cast<char>((value >> (8 * (bytes - 1 - i))) & 0xFF);
  }
}

std::uint64_t get(std::string_view from) {
  std::uint64_t value = 0;
  for (const char c : from) value = value << 8 | static_cast<unsigned char>(c);
  return value;
}

}  // namespace

const char* name(Type type) {
  static constexpr const char* names[] = {"Initialize",
                                          "InitializeResponse",
                                          "FatalError",
                                          "Error",
                                          "AsyncLock",
                                          "AsyncLockResponse",
                                          "Data",
                                          "DataEnd",
                                          "DeviceClearComplete",
                                          "DeviceClearAcknowledge",
                                          "AsyncRemoteLocalControl",
                                          "AsyncRemoteLocalResponse",
                                          "Trigger",
                                          "Interrupted",
                                          "AsyncInterrupted",
                                          "AsyncMaximumMessageSize",
                                          "AsyncMaximumMessageSizeResponse",
                                          "AsyncInitialize",
                                          "AsyncInitializeResponse",
                                          "AsyncDeviceClear",
                                          "AsyncServiceRequest",
                                          "AsyncStatusQuery",
                                          "AsyncStatusResponse",
                                          "AsyncDeviceClearAcknowledge",
                                          "AsyncLockInfo",
                                          "AsyncLockInfoResponse"};
  const auto index = static_cast<std::size_t>(type);
  return index < std::size(names) ? names[index] : "unknown message";
}

std::string describe_fatal(std::uint8_t code) {
  static constexpr const char* texts[] = {
      "unidentified error",      "poorly formed header", "use before both channels stand",
      "bad initialise sequence", "too many clients",     "secure connection failed"};
  const std::string number = " (fatal error " + std::to_string(code) + ")";
  return (code < std::size(texts) ? texts[code] : "the device's own") + number;
}

std::string describe_error(std::uint8_t code) {
  static constexpr const char* texts[] = {"unidentified error",   "unknown message type",
                                          "unknown control code", "unknown vendor message",
                                          "message too large",    "authentication failed"};
  const std::string number = " (error " + std::to_string(code) + ")";
  return (code < std::size(texts) ? texts[code] : "the device's own") + number;
}

HeaderBytes encode(const Header& header) {
  HeaderBytes out{};
  out[0] = 'H';
  out[1] = 'S';
  out[2] = static_cast<char>(header.type);
  out[3] = static_cast<char>(header.control);
  put(&out[4], header.parameter, 4);
  put(&out[8], header.payload, 8);
  return out;
}

std::string encode(Header header, std::string_view payload) {
  header.payload = payload.size();
  const HeaderBytes bytes = encode(header);
  std::string out;
  out.reserve(header_size + payload.size());
  out.append(bytes.data(), bytes.size());
  out.append(payload);
  return out;
}

Result<Header> decode_header(std::string_view bytes) {
  if (bytes.size() < header_size) {
    return fail(ErrorKind::bad_data,
                "HiSLIP: a header of " + std::to_string(bytes.size()) + " bytes, 16 expected");
  }
  if (bytes.substr(0, 2) != "HS") {
    return fail(ErrorKind::bad_data, "HiSLIP: a header must begin with 'HS', found '" +
                                         excerpt(bytes.substr(0, 2)) + "'");
  }
  Header header;
  header.type = static_cast<Type>(static_cast<unsigned char>(bytes[2]));
  header.control = static_cast<std::uint8_t>(bytes[3]);
  header.parameter = static_cast<std::uint32_t>(get(bytes.substr(4, 4)));
  header.payload = get(bytes.substr(8, 8));
  return header;
}

std::string encode_size(std::uint64_t size) {
  std::string out(8, '\0');
  put(out.data(), size, 8);
  return out;
}

Result<std::uint64_t> decode_size(std::string_view payload) {
  if (payload.size() != 8) {
    return fail(ErrorKind::bad_data, "HiSLIP: a maximum message size of " +
                                         std::to_string(payload.size()) + " bytes, 8 expected");
  }
  return get(payload);
}

}  // namespace nightbench::link::hislip
