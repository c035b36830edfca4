// The faults of the simulated board as the study draws them, and which entries of the fault book
// name them rightly.
#pragma once

#include <random>
#include <set>
#include <string>
#include <vector>

namespace nightbench::testing {

struct DrawnFault {
  std::string json;            // as a board of the simulated bench states it
  std::set<std::string> named;  // ids of the fault book that are right; empty: cannot be seen
  // Questions that a careful builder answers with no.
  std::set<std::string> seen_by_eye;
};

struct FaultCase {
  std::string name;  // "via-open", the word of the simulated bench
  std::string note;  // what is drawn
  DrawnFault (*draw)(std::mt19937_64& random);
};

// Every kind of mock_instruments/board/fault.hpp.
const std::vector<FaultCase>& fault_cases();

}  // namespace nightbench::testing
