#include "sequences/record/text.hpp"

#include <array>
#include <cstdint>
#include <cstdio>

namespace nightbench::record {
namespace {

struct Decoded {
  char32_t code = 0;
  std::size_t bytes = 0;  // 0: no valid character starts here
};

// One character of UTF-8 by the table of RFC 3629, section 4.
Decoded decode(std::string_view text) {
  const auto byte = [&](std::size_t i) { return static_cast<unsigned char>(text[i]); };
  const unsigned char lead = byte(0);
  if (lead < 0x80) return {lead, 1};
  std::size_t bytes = 0;
  char32_t code = 0;
  unsigned char least = 0x80;
  unsigned char most = 0xBF;
  if (lead >= 0xC2 && lead <= 0xDF) {
    bytes = 2;
    code = lead & 0x1FU;
  } else if (lead >= 0xE0 && lead <= 0xEF) {
    bytes = 3;
    code = lead & 0x0FU;
    if (lead == 0xE0) least = 0xA0;
    if (lead == 0xED) most = 0x9F;
  } else if (lead >= 0xF0 && lead <= 0xF4) {
    bytes = 4;
    code = lead & 0x07U;
    if (lead == 0xF0) least = 0x90;
    if (lead == 0xF4) most = 0x8F;
  } else {
    return {};
  }
  if (text.size() < bytes) return {};
  for (std::size_t i = 1; i < bytes; ++i) {
    if (byte(i) < least || byte(i) > most) return {};
    code = (code << 6U) | (byte(i) & 0x3FU);
    least = 0x80;
    most = 0xBF;
  }
  return {code, bytes};
}

std::string visible_byte(char c) {
  std::array<char, 8> text{};
  std::snprintf(text.data(), text.size(), "\\x%02x", static_cast<unsigned char>(c));
  return text.data();
}

bool misleads(char32_t code) {
  return (code >= 0x80 && code <= 0x9F) || (code >= 0x2028 && code <= 0x202E) ||
         (code >= 0x2066 && code <= 0x2069) || code == 0xFEFF ||
         (code >= 0xFDD0 && code <= 0xFDEF) || (code & 0xFFFEU) == 0xFFFEU;
}

}  // namespace

std::string valid_utf8(std::string_view text) {
  std::string out;
  out.reserve(text.size());
  while (!text.empty()) {
    const Decoded next = decode(text);
    if (next.bytes == 0) {
      out += visible_byte(text.front());
      text.remove_prefix(1);
    } else {
      out += text.substr(0, next.bytes);
      text.remove_prefix(next.bytes);
    }
  }
  return out;
}

std::string printable(std::string_view text) {
  std::string out;
  out.reserve(text.size());
  while (!text.empty()) {
    const Decoded next = decode(text);
    const std::size_t used = next.bytes == 0 ? 1 : next.bytes;
    const bool line_end = text.starts_with("\r\n");
    if (line_end) {
      out += '\n';
      text.remove_prefix(2);
      continue;
    }
    const bool control = next.code < 0x20 || next.code == 0x7F;
    if (next.bytes == 0 || (control && next.code != '\t' && next.code != '\n')) {
      out += visible_byte(text.front());
    } else if (misleads(next.code)) {
      std::array<char, 16> shown{};
      std::snprintf(shown.data(), shown.size(), "\\u{%04x}", static_cast<unsigned>(next.code));
      out += shown.data();
    } else {
      out += text.substr(0, used);
    }
    text.remove_prefix(used);
  }
  return out;
}

}  // namespace nightbench::record
