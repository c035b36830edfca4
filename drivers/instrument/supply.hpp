// The DC supply: one output with voltage, current limit and over-current trip.
#pragma once

#include <optional>

#include "drivers/instrument/instrument.hpp"

namespace nightbench::instrument {

struct SupplyReading {
  double volts = 0;
  double amps = 0;
  bool tripped = false;  // the protection has switched the output off
};

class Supply final : public Instrument {
 public:
  using Instrument::Instrument;

  // The current limit is sent before the voltage; both are confirmed. Does not switch the output.
  Awaitable<Result<void>> set(double volts, double current_limit_a);
  // Switching on is confirmed (and refused with ErrorKind::unsafe when the protection has tripped
  // at once); switching off is sent and confirmed always.
  Awaitable<Result<void>> output(bool on);
  Awaitable<Result<SupplyReading>> measure();
  Awaitable<Result<void>> clear_trip();
  Awaitable<Result<void>> off() { return output(false); }
  Awaitable<Result<void>> make_safe() override { return output(false); }

 private:
  Awaitable<Result<bool>> tripped();
};

}  // namespace nightbench::instrument
