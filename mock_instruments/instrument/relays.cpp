#include "mock_instruments/instrument/relays.hpp"

#include <algorithm>
#include <utility>

namespace nightbench::mock::instrument {

Relays::Relays(World& world, Setup setup, RelaysConfig config)
    : Instrument(world, std::move(setup)), config_(std::move(config)) {
  reset({});
  const auto add_move = [this](const char* pattern, bool closed) {
    tree_.add(pattern, {channels()}, [this, closed](Call& call) {
      std::vector<int> wanted;
      if (!listed(call, wanted)) return;
      for (const int channel : wanted) move(channel, closed, call.now);
    });
    tree_.add(std::string(pattern) + '?', {channels()}, [this, closed](Call& call) {
      std::vector<int> wanted;
      if (!listed(call, wanted)) return;
      for (const int channel : wanted) {
        call.answer(world_.relays[name()][channel].closed == closed ? "1" : "0");
      }
    });
  };
  add_move("[:ROUTe]:CLOSe", true);
  add_move("[:ROUTe]:OPEN", false);
  tree_.add("[:ROUTe]:OPEN:ALL", {}, [this](Call& call) {
    for (const int channel : config_.channels) move(channel, false, call.now);
  });
  tree_.add("[:ROUTe]:CLOSe:STATe?", {}, [this](Call& call) {
    std::string list;
    for (const int channel : config_.channels) {
      if (!world_.relays[name()][channel].closed) continue;
      if (!list.empty()) list += ',';
      list += std::to_string(channel);
    }
    call.answer("(@" + list + ')');
  });
}

void Relays::reset(TimePoint now) {
  for (const int channel : config_.channels) move(channel, false, now);
}

void Relays::move(int channel, bool closed, TimePoint now) {
  World::Relay& relay = world_.relays[name()][channel];
  if (relay.closed == closed) return;
  relay.closed = closed;
  relay.still_from = now + settle();
  operate_until(relay.still_from);
}

bool Relays::listed(Call& call, std::vector<int>& out) const {
  for (const std::vector<int>& channel : call.values[0].channels) {
    const bool known = channel.size() == 1 &&
                       std::ranges::find(config_.channels, channel[0]) != config_.channels.end();
    if (!known) {
      call.error(-222, "no channel " + std::to_string(channel[0]));
      return false;
    }
    out.push_back(channel[0]);
  }
  return true;
}

}  // namespace nightbench::mock::instrument
