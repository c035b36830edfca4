// Between the plan of a capture and the scope that takes it: the set-up of two channels, and what
// their capture shows of the range.
#pragma once

#include "drivers/instrument/capture.hpp"
#include "drivers/instrument/scope.hpp"
#include "sequences/engine/capture_plan.hpp"

namespace nightbench::engine {

// Both channels on the same range, a free-running single acquisition.
instrument::ScopeSetup scope_setup(const CaptureSettings& settings, int first_channel,
                                   int second_channel);

// Over all channels of a capture.
Seen look(const instrument::Capture& capture);

}  // namespace nightbench::engine
