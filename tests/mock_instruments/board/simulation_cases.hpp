// The cases of tests/data/circuit_simulation (see its README), as boards and stimuli of ours.
#pragma once

#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "mock_instruments/board/fault.hpp"
#include "mock_instruments/board/parameters.hpp"
#include "mock_instruments/board/stimulus.hpp"

namespace nightbench::mock::board::test {

struct SimulationCase {
  std::string id;
  bool rf = false;  // test points at 500 MS/s instead of I and Q
  Parameters parameters;
  std::vector<Fault> faults;
  Stimulus stimulus;
  Moment start;  // of the capture, from the start of the simulation
  double rate_hz = 0.0;
  nlohmann::json reference;
  nlohmann::json files;
};

std::vector<SimulationCase> simulation_cases();

// The samples of one capture file of the data folder.
std::vector<float> capture(const std::string& file);

}  // namespace nightbench::mock::board::test
