// The local oscillator: two square outputs of one frequency, the second at a phase to the first.
#pragma once

#include <optional>

#include "drivers/instrument/instrument.hpp"

namespace nightbench::instrument {

struct LoSetting {
  double frequency_hz = 0;
  double phase_deg = 90;   // of output 2, lagging output 1 when positive
  double amplitude_v = 5;  // peak to peak, into a high impedance
  bool on = false;         // both outputs
  bool operator==(const LoSetting&) const = default;
};

class LoSource final : public Instrument {
 public:
  using Instrument::Instrument;

  // As RfSource::apply. The phase is set again after every change of frequency, because sources
  // commonly lose it then (common practice).
  Awaitable<Result<void>> apply(LoSetting setting);
  Awaitable<Result<void>> off();
  Awaitable<Result<void>> make_safe() override { return off(); }
  void forget() override;
  std::optional<LoSetting> actual() const { return actual_; }
  Awaitable<Result<LoSetting>> read();

 private:
  std::optional<LoSetting> known_;
  std::optional<LoSetting> actual_;
};

}  // namespace nightbench::instrument
