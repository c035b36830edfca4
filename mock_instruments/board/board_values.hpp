// Single values of a board, set by name from JSON: "values": {"switch_on_ohm": "8 ohm", ...}.
//
// Names are those of Parameters. A value is a number in SI, or a string with a unit where there is
// one ("8 ohm", "0.2 mV", "2 ns"); henries and farads are numbers. Lists (sampling_farad, path_ohm,
// lo_duty, filter factors) are given whole; "i_stage" and "q_stage" are objects.
#pragma once

#include "drivers/base/error.hpp"
#include "drivers/base/json.hpp"
#include "mock_instruments/board/parameters.hpp"

namespace nightbench::mock::board {

// Changes what `node` names and leaves the rest. Errors: bad_input with file and pointer for an
// unknown name, a wrong unit, or a value that no part can have.
Result<void> decode_values(const json::Node& node, Parameters& board);

}  // namespace nightbench::mock::board
