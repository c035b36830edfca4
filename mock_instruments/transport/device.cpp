#include "mock_instruments/transport/device.hpp"

#include <utility>

namespace nightbench::mock::transport {

std::vector<std::string> program_messages(std::string message) {
  if (message.ends_with('\n')) message.pop_back();
  std::vector<std::string> out;
  const bool plain = message.find('#') == std::string::npos;
  for (std::size_t newline = 0; plain && (newline = message.find('\n')) != std::string::npos;) {
    if (newline > 0) out.push_back(message.substr(0, newline));
    message.erase(0, newline + 1);
  }
  if (!message.empty()) out.push_back(std::move(message));
  return out;
}

bool ends_by_itself(const std::string& message) {
  return message.ends_with('\n') && message.find('#') == std::string::npos;
}

}  // namespace nightbench::mock::transport
