// Setting RF and LO as an action intends, and waiting until they stand.
#pragma once

#include "drivers/base/clock.hpp"
#include "drivers/bench/bench.hpp"
#include "sequences/script/plan.hpp"

namespace nightbench::engine {

// Applies the RF and LO part of `intent` (only what differs is sent). Gives the instant from which
// the outputs can be trusted; waiting is the caller's business, so that work can be done meanwhile.
Awaitable<Result<TimePoint>> drive(bench::Bench& bench, const script::BoardType& type,
                                   script::Intent intent);

}  // namespace nightbench::engine
