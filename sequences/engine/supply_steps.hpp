// Power and DC: the supply switched on under a current limit and judged before anything else, and
// DC volts by the meter.
#pragma once

#include <string>
#include <vector>

#include "drivers/base/clock.hpp"
#include "drivers/bench/bench.hpp"
#include "sequences/record/run.hpp"
#include "sequences/script/plan.hpp"

namespace nightbench::engine {

// Sets voltage and current limit, switches on (in eight steps where the intent has a soft start), watches for a trip while the board settles, then
// reads voltage and current. A trip is ErrorKind::unsafe; the caller makes the bench safe.
Awaitable<Result<std::vector<record::Reading>>> power_on(bench::Bench& bench,
                                                         const script::BoardType& type,
                                                         script::Intent intent);

// One test point, by the meter through its relay where there is one.
Awaitable<Result<record::Reading>> measure_volts(bench::Bench& bench,
                                                 const script::BoardType& type,
                                                 std::string test_point);

}  // namespace nightbench::engine
