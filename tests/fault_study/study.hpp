// Diagnosis tried on simulated boards with random tolerances: every board is measured with the
// library's script "fault-finding" through the whole program (virtual bench, engine, virtual hand),
// then diagnosed from all its readings, and found again with the fewest probe moves.
//
// The board's faults are drawn by the study and are known to nobody else: the diagnosis sees the
// record of the run. Throws std::runtime_error when the bench cannot be set up.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "sequences/record/run.hpp"
#include "tests/fault_study/cases.hpp"

namespace nightbench::testing {

struct BoardResult {
  bool first = false;        // the right fault is first among the causes; good: called good
  bool among_three = false;
  bool clear = false;        // said to be the fault, not "unclear"
  int moves = 0;             // until the search ended
  bool first_by_search = false;  // the same as `first`, from what the search had measured
  std::string answer;        // the first cause's ids, or the conclusion
  std::string searched;      // the answer of the search
  std::string truth;
  std::string told;  // all readings on the book's scales, and the first causes
};

struct CaseResult {
  std::string name, note;
  std::vector<BoardResult> boards;
  double share(bool BoardResult::*what) const;
  double mean_moves() const;
};

// `boards` boards with one fault of the case.
CaseResult study(const FaultCase& one, int boards, std::uint64_t seed);
// Good boards.
CaseResult study_good(int boards, std::uint64_t seed);
// Two faults of different kinds: right is a first cause that names one of them at least.
CaseResult study_pairs(int boards, std::uint64_t seed);

// Moves that the library's bring-up asks of a good board from its first step to its last.
int moves_of_bring_up();

}  // namespace nightbench::testing
