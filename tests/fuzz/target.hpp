// A fuzz target is one function `void nightbench::fuzz::NAME(std::string_view bytes)` in NAME.cpp,
// registered by `nightbench_fuzz(NAME ...)` in the CMakeLists.txt here, with seeds in seeds/NAME/.
// Every build replays the seeds; the fuzz preset also makes a libFuzzer program of it.
#pragma once

#include <string>
#include <string_view>
#include <vector>

namespace nightbench::fuzz {

struct Target {
  std::string name;
  void (*run)(std::string_view bytes);
};

// All registered targets; the list is written by CMake.
const std::vector<Target>& targets();

// Stops the program when something that must hold does not.
void require(bool holds, const char* what);

}  // namespace nightbench::fuzz
