// The guardian as a whole: takes its order, proves that it can switch off, watches, and switches off
// when the program it watches is gone.
#pragma once

#include <functional>
#include <string>

#include "daemon/guardian/vigil.hpp"
#include "drivers/bench/bench.hpp"

namespace nightbench::guardian {

enum class Duty : int {
  done = 0,      // said goodbye to, or everything is off
  useless = 2,   // the order made no sense, or an output was out of reach from the start
  still_on = 3,  // something could not be switched off
};

struct Surroundings {
  Clock& clock;
  bench::LinkMaker links;
  std::function<void(int parent)> end;                // ends a program that hangs
  std::function<void(const std::string&)> complain;  // a line for whoever reads our errors
};

// `vigil` must outlive it. Ends when nothing is left to do.
Awaitable<Duty> stand_guard(Vigil& vigil, Surroundings around);

}  // namespace nightbench::guardian
