// A simulated relay card: single-pole channels that connect a port to a test point.
//
// Commands beside the common ones (SCPI-1999, signal switcher):
//   [:ROUTe]:CLOSe (@list)   [:ROUTe]:CLOSe? (@list)   1 or 0 a channel
//   [:ROUTe]:OPEN (@list)    [:ROUTe]:OPEN? (@list)    [:ROUTe]:OPEN:ALL
//   [:ROUTe]:CLOSe:STATe?    the closed channels as (@...)
// A channel that is not there gives -222 and nothing is switched. Contacts bounce for the settling
// time: they make and break, and *OPC? waits for the end. *RST opens all.
#pragma once

#include <set>
#include <vector>

#include "mock_instruments/instrument/instrument.hpp"

namespace nightbench::mock::instrument {

struct RelaysConfig {
  std::vector<int> channels{101, 102, 103, 104, 105, 106, 107, 108, 109, 110};
};

class Relays final : public Instrument {
 public:
  Relays(World& world, Setup setup, RelaysConfig config);

 protected:
  void reset(TimePoint now) override;

 private:
  // The listed channels; -222 when one is not there.
  bool listed(Call& call, std::vector<int>& out) const;
  void move(int channel, bool closed, TimePoint now);

  RelaysConfig config_;
};

}  // namespace nightbench::mock::instrument
