#include "drivers/link/vxi11/xdr.hpp"

namespace nightbench::link::vxi11 {
namespace {

std::size_t padding(std::size_t length) {
  return (4 - length % 4) % 4;
}

}  // namespace

XdrWriter& XdrWriter::word(std::uint32_t value) {
  for (int shift = 24; shift >= 0; shift -= 8) {
    bytes_ += static_cast<char>((value >> shift) & 0xFF);
  }
  return *this;
}

XdrWriter& XdrWriter::opaque(std::string_view bytes) {
  word(static_cast<std::uint32_t>(bytes.size()));
  bytes_.append(bytes);
  bytes_.append(padding(bytes.size()), '\0');
  return *this;
}

XdrWriter& XdrWriter::raw(std::string_view bytes) {
  bytes_.append(bytes);
  return *this;
}

Result<std::uint32_t> XdrReader::word() {
  if (bytes_.size() < 4) {
    return fail(ErrorKind::bad_data,
                "expected a word of 4 bytes, found " + std::to_string(bytes_.size()));
  }
  std::uint32_t value = 0;
  for (std::size_t i = 0; i < 4; ++i) {
    value = value << 8 | static_cast<unsigned char>(bytes_[i]);
  }
  bytes_.remove_prefix(4);
  return value;
}

Result<bool> XdrReader::boolean() {
  TRY_ASSIGN(const std::uint32_t value, word());
  return value != 0;
}

Result<std::string_view> XdrReader::opaque(std::size_t most) {
  TRY_ASSIGN(const std::uint32_t length, word());
  if (length > most) {
    return fail(ErrorKind::bad_data, "data of " + std::to_string(length) + " bytes, at most " +
                                         std::to_string(most) + " expected");
  }
  const std::size_t padded = length + padding(length);
  if (bytes_.size() < padded) {
    return fail(ErrorKind::bad_data, "data of " + std::to_string(length) + " bytes, only " +
                                         std::to_string(bytes_.size()) + " there");
  }
  const std::string_view data = bytes_.substr(0, length);
  bytes_.remove_prefix(padded);
  return data;
}

}  // namespace nightbench::link::vxi11
