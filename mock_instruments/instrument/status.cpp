#include "mock_instruments/instrument/status.hpp"

#include <utility>

namespace nightbench::mock::instrument {

std::uint16_t StatusRegister::read_event() {
  return std::exchange(event_, std::uint16_t{0});
}

void StatusRegister::set_condition(std::uint16_t condition) {
  condition &= kUsed;
  const std::uint16_t rose = condition & ~condition_;
  const std::uint16_t fell = condition_ & ~condition;
  event_ |= static_cast<std::uint16_t>((rose & positive_) | (fell & negative_));
  condition_ = condition;
}

void StatusRegister::set_bit(int bit, bool on) {
  const auto mask = static_cast<std::uint16_t>(1U << bit);
  set_condition(on ? condition_ | mask : condition_ & static_cast<std::uint16_t>(~mask));
}

void StatusRegister::preset() {
  enable_ = 0;
  positive_ = kUsed;
  negative_ = 0;
}

Status::Status() = default;

void Status::push(ScpiError error) {
  if (error.number == 0) return;
  events_ |= event_bit(error.number);
  if (queue_.size() < queue_most) {
    queue_.push_back(std::move(error));
    return;
  }
  queue_.back() = ScpiError{-350, ""};
  events_ |= event_bit(-350);
}

ScpiError Status::take() {
  if (queue_.empty()) return {};
  ScpiError oldest = std::move(queue_.front());
  queue_.pop_front();
  return oldest;
}

std::string Status::entry(const ScpiError& error) {
  constexpr std::size_t kMostText = 255;  // volume 2, 21.8
  std::string text(error_text(error.number));
  if (!error.detail.empty()) text += ';' + error.detail;
  if (text.size() > kMostText) text.resize(kMostText);
  std::string quoted;
  for (const char c : text) {
    if (c == '"') quoted += '"';
    quoted += (c < ' ' || c > '~') ? '?' : c;
  }
  return std::to_string(error.number) + ",\"" + quoted + '"';
}

void Status::clear() {
  queue_.clear();
  events_ = 0;
  operation.clear_event();
  questionable.clear_event();
}

std::uint8_t Status::take_events() {
  return std::exchange(events_, std::uint8_t{0});
}

std::uint8_t Status::byte(bool message_available) const {
  unsigned byte = 0;
  if (!queue_.empty()) byte |= 0x04U;
  if (questionable.summary()) byte |= 0x08U;
  if (message_available) byte |= 0x10U;
  if ((events_ & event_enable) != 0) byte |= 0x20U;
  if (operation.summary()) byte |= 0x80U;
  if ((byte & service_enable_) != 0) byte |= 0x40U;
  return static_cast<std::uint8_t>(byte);
}

}  // namespace nightbench::mock::instrument
