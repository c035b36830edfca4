// A pair of the board type, measured with the scope at its line and judged.
#pragma once

#include <array>
#include <string>
#include <vector>

#include "drivers/base/clock.hpp"
#include "drivers/bench/bench.hpp"
#include "sequences/engine/carrier_capture.hpp"
#include "sequences/record/run.hpp"
#include "sequences/script/plan.hpp"

namespace nightbench::engine {

// What stands on the board as `intent` has it.
Lines lines_of(const script::Intent& intent);

struct PairSight {
  std::vector<record::Reading> readings;  // phase, balance, level_1, level_2, frequency
  std::vector<std::string> notes;
  std::array<std::string, 2> doubts;  // of the two probes; "" where the line shows
};

// Sets the scope, captures (four times at the IF, twice elsewhere) and compares. Where a probe does
// not show its line, a slow capture looks for mains hum. With the RF below the LO the phase at the
// IF is turned round, so that limits hold on both sides. RF and LO must stand already.
// Errors as of the scope; bad_input when a test point has no probe.
Awaitable<Result<PairSight>> measure_pair(bench::Bench& bench, const script::BoardType& type,
                                          const script::PairCheck& check, script::Intent intent);

// Readings of a comparison. Pure.
std::vector<record::Reading> judge_pair(const script::PairCheck& check, const script::Limits& limits,
                                        const bench::Uncertainty& scope, const Lines& lines,
                                        const Comparison& comparison);

// No readings, all for one reason.
std::vector<record::Reading> unread_pair(const script::PairCheck& check,
                                         const script::Limits& limits,
                                         const reading::NoReading& why);

}  // namespace nightbench::engine
