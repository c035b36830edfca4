// One board of a simulated bench file:
//   {"design": "30m"|"10mhz", "tolerances": true, "lo_phase_error": "4 deg",
//    "values": {"filter_centre_hz": "7.15 MHz"},          see board/board_values.hpp
//    "faults": [{"fault": "via-open", "pin": 6}, ...]}
//
// Faults have the words and numbers of mock_instruments/board/fault.hpp; phases are 0, 90, 180,
// 270.
#pragma once

#include <string>

#include "drivers/base/json.hpp"
#include "mock_instruments/server/bench_plan.hpp"

namespace nightbench::mock::server {

// With "tolerances" the parts are drawn from the serial number. Errors: bad_input.
Result<BoardPlan> decode_board(const std::string& serial, const json::Node& node);

}  // namespace nightbench::mock::server
