// A tiny device for tests of transports. Queries end in '?' or have one before their parameter:
//   *IDN?        its identity            BLOCK? n   a definite block of n bytes, NL among them
//   WAIT?        answers "done" after release()   HANG?   never answers
//   any other query answers itself; commands answer nothing
#pragma once

#include <algorithm>
#include <charconv>
#include <string>
#include <vector>

#include "drivers/base/clock.hpp"
#include "drivers/link/wake.hpp"
#include "mock_instruments/transport/device.hpp"

namespace nightbench::test {

inline std::string block(std::size_t count) {
  const std::string length = std::to_string(count);
  std::string out = "#" + std::to_string(length.size()) + length;
  out.reserve(out.size() + count + 1);
  for (std::size_t i = 0; i < count; ++i) out += static_cast<char>(i * 2654435761U >> 7);
  return out;
}

class EchoDevice final : public mock::transport::Device {
 public:
  explicit EchoDevice(Clock& clock) : changed_(clock) {}

  std::string identity = "Heronworks,E1,0042,1.0";
  std::vector<std::string> taken;  // every message, as it began
  int clears = 0;
  int triggers = 0;
  int interruptions = 0;       // -410
  int unterminated_reads = 0;  // -420
  int overruns = 0;            // -363
  std::uint8_t status = 0;

  Awaitable<std::optional<std::string>> take(std::string message) override {
    while (busy_) co_await changed_.wait(TimePoint::max());
    busy_ = true;
    const int before = clears;
    taken.push_back(message);
    std::optional<std::string> response = co_await answer(std::move(message), before);
    busy_ = false;
    changed_.ring();
    if (before != clears) response.reset();
    co_return response;
  }
  void device_clear() override {
    ++clears;
    changed_.ring();
  }
  std::uint8_t status_byte(bool message_available) override {
    return static_cast<std::uint8_t>(status | (message_available ? 0x10 : 0));
  }
  // Lets a WAIT? that is under way answer.
  void release() {
    ++releases_;
    changed_.ring();
  }
  void trigger() override { ++triggers; }
  void interrupted() override { ++interruptions; }
  void unterminated() override { ++unterminated_reads; }
  void overrun() override { ++overruns; }

 private:
  static std::size_t number_after(const std::string& message, const std::string& word) {
    std::size_t value = 0;
    const std::size_t at = std::min(message.find_first_not_of(' ', word.size()), message.size());
    std::from_chars(message.data() + at, message.data() + message.size(), value);
    return value;
  }

  Awaitable<std::optional<std::string>> answer(std::string message, int before) {
    const std::size_t mark = message.find('?');
    if (mark == std::string::npos) co_return std::nullopt;
    const std::string query = message.substr(0, mark + 1);
    if (query == "*IDN?") co_return identity;
    if (query == "BLOCK?") co_return block(number_after(message, query));
    if (query == "WAIT?" || query == "HANG?") {
      const int releases = releases_;
      while (before == clears && (query == "HANG?" || releases == releases_)) {
        co_await changed_.wait(TimePoint::max());
      }
      co_return "done";
    }
    co_return message;
  }

  link::Wake changed_;
  int releases_ = 0;
  bool busy_ = false;
};

}  // namespace nightbench::test
