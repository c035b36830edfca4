// The digital meter: DC volts and ohms.
#pragma once

#include <optional>

#include "drivers/instrument/instrument.hpp"

namespace nightbench::instrument {

struct MeterReading {
  bool overload = false;  // the input is beyond the range: there is no value
  double value = 0;       // volts or ohms; 0 and meaningless on overload
  double range = 0;       // full scale of the range it was read on, same unit
};

class Meter final : public Instrument {
 public:
  using Instrument::Instrument;

  // `range`: full scale wanted, or nothing for automatic. Configures only when function or range
  // differ from the last call.
  Awaitable<Result<MeterReading>> dc_volts(std::optional<double> range_v = {});
  // The circuit must be without power.
  Awaitable<Result<MeterReading>> ohms(std::optional<double> range_ohm = {});
  void forget() override;

 private:
  struct Function {
    bool ohms;
    std::optional<double> range;
    bool operator==(const Function&) const = default;
  };
  Awaitable<Result<MeterReading>> measure(Function function);

  std::optional<Function> known_;
};

}  // namespace nightbench::instrument
