// The signal switcher: channels closed and opened one at a time, each verified by asking.
#pragma once

#include <map>
#include <set>
#include <vector>

#include "drivers/instrument/instrument.hpp"

namespace nightbench::instrument {

class Relays final : public Instrument {
 public:
  using Instrument::Instrument;

  // Channels that open_all() verifies besides those closed here: all that the bench uses.
  void use(std::vector<int> channels);
  Awaitable<Result<void>> close(int channel);
  Awaitable<Result<void>> open(int channel);
  using Instrument::open;  // without a channel: the connection
  // Sent always, verified for every channel in use.
  Awaitable<Result<void>> open_all();
  Awaitable<Result<void>> make_safe() override { return open_all(); }
  Awaitable<Result<bool>> is_closed(int channel);
  // Opens those of `others` that are not known to be open, then closes `channel` unless it is known
  // to be closed: never two signals on one port.
  Awaitable<Result<void>> select(int channel, std::vector<int> others);
  void forget() override { closed_.clear(); }

 private:
  bool is_known(int channel, bool closed) const;

  std::map<int, bool> closed_;  // channels whose state has been confirmed
  std::set<int> in_use_;
};

}  // namespace nightbench::instrument
