#include "sequences/engine/scope_setup.hpp"

#include <algorithm>

#include "sequences/engine/context.hpp"

namespace nightbench::engine {

instrument::ScopeSetup scope_setup(const CaptureSettings& settings, int first_channel,
                                   int second_channel) {
  instrument::ScopeSetup setup;
  for (const int channel : {first_channel, second_channel}) {
    instrument::ChannelSetup each;
    each.channel = channel;
    each.full_scale_v = settings.full_scale_v;
    each.offset_v = settings.offset_v;
    setup.channels.push_back(each);
  }
  setup.sample_rate_hz = settings.sample_rate_hz;
  setup.points = settings.points;
  return setup;
}

Seen look(const instrument::Capture& capture) {
  Seen seen;
  seen.lowest_v = 1e99;
  seen.highest_v = -1e99;
  for (const instrument::ChannelCapture& channel : capture.channels) {
    const signal::Extremes found = signal::extremes(trace_of(channel));
    seen.lowest_v = std::min(seen.lowest_v, found.lowest_v);
    seen.highest_v = std::max(seen.highest_v, found.highest_v);
    seen.widest_v = std::max(seen.widest_v, found.highest_v - found.lowest_v);
    seen.clipped = seen.clipped || found.at_lowest_limit + found.at_highest_limit > 0;
  }
  return seen;
}

}  // namespace nightbench::engine
