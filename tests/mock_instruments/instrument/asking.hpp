// Talks to an instrument without a server: messages in, answers out, time moved by hand.
#pragma once

#include <optional>
#include <string>

#include "mock_instruments/instrument/instrument.hpp"

namespace nightbench::mock::instrument {

class Asker {
 public:
  explicit Asker(Instrument& instrument, TimePoint start = {})
      : instrument_(instrument), now_(start) {}

  // The answer, waiting as long as it takes; nothing when there is none, or never one.
  std::optional<std::string> ask(const std::string& message) {
    instrument_.begin(message, now_);
    for (;;) {
      const Instrument::Progress progress = instrument_.run(now_);
      if (progress.done) return instrument_.take_response();
      if (progress.again == TimePoint::max()) {
        instrument_.device_clear();
        return std::nullopt;
      }
      now_ = progress.again;
    }
  }
  std::string text(const std::string& message) { return ask(message).value_or("(no answer)"); }
  double number(const std::string& message) { return std::stod(text(message)); }
  // The number of the oldest error in the queue; 0 for none.
  int error() { return std::stoi(text(":SYST:ERR:CODE?").substr(0, 6)); }

  TimePoint now() const { return now_; }
  void sleep(Duration span) { now_ += span; }

 private:
  Instrument& instrument_;
  TimePoint now_;
};

}  // namespace nightbench::mock::instrument
