// The status model of IEEE 488.2 chapter 11 and SCPI-1999 volume 1 chapter 9: event and enable
// registers, the status byte, the error queue.
//
// Plain state of one instrument; its thread only.
#pragma once

#include <cstddef>
#include <cstdint>
#include <deque>
#include <string>

#include "mock_instruments/instrument/scpi_error.hpp"

namespace nightbench::mock::instrument {

// A SCPI register set: condition -> transition filters -> event -> enable (volume 1, 9.2). Bit 15
// is never used, so that answers stay positive in 16 bits.
class StatusRegister {
 public:
  std::uint16_t condition() const { return condition_; }
  std::uint16_t enable() const { return enable_; }
  std::uint16_t positive() const { return positive_; }
  std::uint16_t negative() const { return negative_; }
  std::uint16_t peek_event() const { return event_; }
  std::uint16_t read_event();  // and clears it
  void clear_event() { event_ = 0; }
  bool summary() const { return (event_ & enable_) != 0; }

  void set_condition(std::uint16_t condition);
  void set_bit(int bit, bool on);
  void set_enable(std::uint16_t mask) { enable_ = mask & kUsed; }
  void set_positive(std::uint16_t mask) { positive_ = mask & kUsed; }
  void set_negative(std::uint16_t mask) { negative_ = mask & kUsed; }
  // STATus:PRESet: enable 0, rising edges pass, falling ones do not.
  void preset();

 private:
  static constexpr std::uint16_t kUsed = 0x7FFF;
  std::uint16_t condition_ = 0;
  std::uint16_t event_ = 0;
  std::uint16_t enable_ = 0;
  std::uint16_t positive_ = kUsed;
  std::uint16_t negative_ = 0;
};

class Status {
 public:
  static constexpr std::size_t queue_most = 32;

  // As after switching on: all clear, the power-on bit (7) of the event register set.
  Status();

  // Queues an error and sets its event bit. When the queue is full the newest entry becomes
  // -350,"Queue overflow" (volume 2, 21.8).
  void push(ScpiError error);
  // The oldest, removed; number 0 when empty.
  ScpiError take();
  std::size_t errors() const { return queue_.size(); }
  // `-113,"Undefined header;FREW"`, at most 255 characters of text.
  static std::string entry(const ScpiError& error);

  // *CLS: event registers and queue; enables stay (IEEE 488.2, 10.3).
  void clear();

  std::uint8_t take_events();  // *ESR?, clears
  std::uint8_t events() const { return events_; }
  void add_events(std::uint8_t bits) { events_ |= bits; }
  std::uint8_t event_enable = 0;

  std::uint8_t service_enable() const { return service_enable_; }
  void set_service_enable(std::uint8_t mask) { service_enable_ = mask & 0xBF; }  // bit 6 ignored

  StatusRegister operation;
  StatusRegister questionable;

  // The status byte with MSS in bit 6, as *STB? answers. `message_available` is bit 4.
  std::uint8_t byte(bool message_available) const;

 private:
  std::deque<ScpiError> queue_;
  std::uint8_t events_ = 0x80;
  std::uint8_t service_enable_ = 0;
};

}  // namespace nightbench::mock::instrument
