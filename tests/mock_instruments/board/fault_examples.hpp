// One board for every kind of fault, with the variants that differ, and some combinations.
#pragma once

#include <string>
#include <vector>

#include "mock_instruments/board/fault.hpp"

namespace nightbench::mock::board::test {

struct FaultExample {
  std::string title;
  std::vector<Fault> faults;
};

std::vector<FaultExample> fault_examples();

}  // namespace nightbench::mock::board::test
