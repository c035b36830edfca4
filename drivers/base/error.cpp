#include "drivers/base/error.hpp"

namespace nightbench {

const char* name(ErrorKind kind) {
  switch (kind) {
    case ErrorKind::timeout: return "timeout";
    case ErrorKind::refused: return "refused";
    case ErrorKind::device: return "device";
    case ErrorKind::bad_data: return "bad-data";
    case ErrorKind::bad_input: return "bad-input";
    case ErrorKind::storage: return "storage";
    case ErrorKind::unsafe: return "unsafe";
    case ErrorKind::cancelled: return "cancelled";
    case ErrorKind::internal: return "internal";
  }
  return "internal";
}

std::string excerpt(std::string_view text, std::size_t most) {
  const bool cut = text.size() > most;
  if (cut) {
    const auto continues = [](char c) { return (static_cast<unsigned char>(c) & 0xC0U) == 0x80U; };
    // A character has at most three bytes after its first; more of them is no UTF-8 at all.
    for (int i = 0; i < 3 && most > 0 && continues(text[most]); ++i) --most;
    text = text.substr(0, most);
  }
  std::string out;
  for (const char c : text) {
    const auto byte = static_cast<unsigned char>(c);
    if (byte >= 0x20 && byte != 0x7F) {
      out += c;
      continue;
    }
    constexpr char kDigits[] = "0123456789abcdef";
    out += "\\x";
    out += kDigits[byte >> 4U];
    out += kDigits[byte & 0xFU];
  }
  return cut ? out + "..." : out;
}

std::string describe(const Error& error) {
  std::string line;
  const auto add = [&line](const std::string& part) {
    if (part.empty()) return;
    line += part;
    line += ": ";
  };
  add(error.file);
  if (!error.file.empty() || !error.pointer.empty()) {
    add(error.pointer.empty() ? std::string() : "at " + error.pointer);
  }
  add(error.instrument);
  if (!error.command.empty()) add("'" + error.command + "'");
  return line + error.message;
}

}  // namespace nightbench
