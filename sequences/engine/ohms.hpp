// Ohms on the unpowered board, by the meter.
#pragma once

#include <string>

#include "drivers/base/clock.hpp"
#include "drivers/bench/bench.hpp"
#include "sequences/record/run.hpp"
#include "sequences/script/board_type.hpp"

namespace nightbench::engine {

struct OhmsSight {
  record::Reading reading;
  bool no_contact = false;  // a tip may touch nothing
  std::string doubt;        // in words for the person; "" when the reading is good
};

// The tips must be in place and supply, RF and LO off. An overload is an open circuit: a failure
// where there is an upper limit, no reading where open tips cannot be told from a good board.
// Errors as of the meter.
Awaitable<Result<OhmsSight>> measure_ohms(bench::Bench& bench, const script::BoardType& type,
                                          const script::ResistanceCheck& check);

// The same from what the meter said. Pure.
OhmsSight judge_ohms(const instrument::MeterReading& seen, const bench::Uncertainty& meter,
                     const script::ResistanceCheck& check, const script::Limits& limits);

}  // namespace nightbench::engine
