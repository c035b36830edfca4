// What one measuring channel shows over another when both see one node: gain ratio and phase, from
// repeated captures of a tone. Pure.
#pragma once

#include <vector>

#include "sequences/reading/reading.hpp"
#include "sequences/signal/samples.hpp"

namespace nightbench::reading {

struct TracePair {
  signal::Trace first, second;
};

// Second over first. U is type A alone: the noise of the fits or the spread of the captures, whichever
// is larger (JCGM 100:2008, 4.2); what else it is good for is for the user of the ratio to say.
struct ChannelRatio {
  Outcome gain_ratio_db = not_measured();
  Outcome phase_deg = not_measured();
};

// No reading when a capture is clipped, holds no tone near `expected_hz`, or when what the channels
// show cannot be one node: more than 3 dB or 10 deg apart (channels_disagree).
ChannelRatio channel_ratio(const std::vector<TracePair>& captures, double expected_hz);

}  // namespace nightbench::reading
