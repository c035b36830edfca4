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
