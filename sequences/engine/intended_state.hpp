// The whole bench state that an action intends: told to the instruments from nothing, and asked
// back from them. What drive() does step by step, this does after trouble.
#pragma once

#include "drivers/base/clock.hpp"
#include "drivers/bench/bench.hpp"
#include "sequences/script/board_type.hpp"
#include "sequences/script/plan.hpp"

namespace nightbench::engine {

// Forgets what is believed of sources, scope and meter and brings the bench to `intent`: the supply
// first (switched on again, under its current limit, when it does not deliver), then LO and RF.
// Gives the instant from which the outputs can be trusted; `restored` (may be null) tells whether
// the supply had to be switched on. Errors: those of the instruments; unsafe when the supply has
// tripped or trips now.
Awaitable<Result<TimePoint>> establish(bench::Bench& bench, const script::BoardType& type,
                                       script::Intent intent, bool* restored);

// Asks the sources, and with `supply_too` the supply, whether they still stand as they were set.
// One that does not is forgotten. Errors: bad_data with what it found, unsafe after a trip, and
// those of the instruments.
Awaitable<Result<void>> verify(bench::Bench& bench, const script::BoardType& type,
                               script::Intent intent, bool supply_too);

}  // namespace nightbench::engine
