// Ohmmeter readings on the unpowered board.
#pragma once

#include "mock_instruments/board/assembly.hpp"
#include "mock_instruments/board/test_point.hpp"

namespace nightbench::mock::board {

// Direct-current resistance between two test points; nothing is powered, all switches are open.
double resistance_ohm(const Assembly& board, TestPoint a, TestPoint b);

}  // namespace nightbench::mock::board
