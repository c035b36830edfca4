// Small drawings in text for people at the bench: a part with its pin 1 and the pin that is meant,
// and where it is on the board. ASCII only, lines end in '\n'. Pure.
#pragma once

#include <string>

#include "sequences/script/board_type.hpp"

namespace nightbench::engine {

// The part from above, turned as it lies on the board; `pin` (1, 2, ...) is marked, 0 marks none.
// Pin 1 carries the part's own mark: a notch or a bar at its end, or a dot beside it.
std::string part_drawing(const script::Part& part, int pin);

// The outline with the parts' names, and an X on the place of `test_point`; "" where the board type
// has no outline or the place is not known.
std::string board_drawing(const script::BoardType& type, const script::TestPoint& point);

// "U1 pin 14 (LO, select 0)", "T1 (Mid-rail bias)"
std::string place_text(const script::TestPoint& point);

}  // namespace nightbench::engine
