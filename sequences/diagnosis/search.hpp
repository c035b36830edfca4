// Finding a fault with few probe moves: which measurement to make next, and when enough is known.
// Pure.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "sequences/diagnosis/next_check.hpp"

namespace nightbench::diagnosis {

// A cause this probable needs no further measurement.
inline constexpr double kFound = 0.95;

struct SearchStep {
  std::optional<RankedCheck> check;  // the next one; none: enough is known
  bool good = false;                 // the board looks good so far
  std::string why;                   // for people: what it is to tell apart, or why none is needed
};

// `open`: what may still be measured. A board that looks good is measured to the end, for a fault
// that shows in one reading only may be left; a suspected fault ends the search when it is found, and
// confirmed where it is when a measurement can show it there, or when nothing that is open tells any
// more.
SearchStep next_step(const FaultBook& book, const script::BoardType& type,
                     const std::vector<Observation>& evidence, const std::vector<Check>& open,
                     const ProbePlaces& places, bool powered);

}  // namespace nightbench::diagnosis
