// `nightbench run --find-fault`: the order of the measurements by what tells most for the fewest moves.
#pragma once

#include <string>

#include "drivers/base/error.hpp"
#include "sequences/diagnosis/fault_book.hpp"
#include "sequences/engine/engine.hpp"
#include "sequences/script/board_type.hpp"

namespace nightbench::cli {

// Remembers where the probes are, so make one for each run. A measurement that the book has no
// reading for comes last, in the order of its name.
engine::Chooser fault_search(diagnosis::FaultBook book, script::BoardType type);

}  // namespace nightbench::cli
