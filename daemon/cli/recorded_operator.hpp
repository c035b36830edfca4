// The person's answers in a recording: noted while a run is recorded, given again when it is replayed.
#pragma once

#include <memory>

#include "drivers/link/recording/recorder.hpp"
#include "drivers/link/recording/replay.hpp"
#include "sequences/engine/operator.hpp"

namespace nightbench::cli {

// Asks `inner`, which must outlive it, and notes the answers.
std::unique_ptr<engine::Operator> recorded(engine::Operator& inner,
                                           std::shared_ptr<link::Recorder> recorder, Clock& clock);

// Answers as the person did then, when they did. A question that is not the recorded one is
// bad_input.
std::unique_ptr<engine::Operator> replayed(std::shared_ptr<link::Recording> recording,
                                           Clock& clock);

}  // namespace nightbench::cli
