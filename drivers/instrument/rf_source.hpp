// The RF source: one sine output of settable frequency and level.
#pragma once

#include <optional>

#include "drivers/instrument/instrument.hpp"

namespace nightbench::instrument {

struct RfSetting {
  double frequency_hz = 0;
  double level_dbm = 0;  // at the output connector, into its nominal impedance
  bool on = false;
  bool operator==(const RfSetting&) const = default;
};

class RfSource final : public Instrument {
 public:
  using Instrument::Instrument;

  // Sends only what differs from the known state. Order: off before a change to off; frequency and
  // level before on, so that nothing else ever leaves the output. On failure the state is unknown.
  Awaitable<Result<void>> apply(RfSetting setting);
  // Output off, sent and confirmed always.
  Awaitable<Result<void>> off();
  Awaitable<Result<void>> make_safe() override { return off(); }
  void forget() override;
  // As read back (where the dialect confirms so) or as set; nothing while unknown.
  std::optional<RfSetting> actual() const { return actual_; }
  // The same, asked anew.
  Awaitable<Result<RfSetting>> read();

 private:
  std::optional<RfSetting> known_;  // as set
  std::optional<RfSetting> actual_;
};

}  // namespace nightbench::instrument
