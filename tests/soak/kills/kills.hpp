// kill -9 at random moments of a real nightbenchd: real sockets, a simulated bench in a process of
// its own at the pace of real instruments, a guardian. The same service is started again each time
// and works the same queue off.
#pragma once

#include <cstdint>
#include <functional>
#include <string>
#include <vector>

namespace nightbench::testing {

struct Kills {
  int kills = 0;
  int in_a_run = 0;         // of those, while a run was under way
  int carried_on = 0;       // runs that went on where they were
  int begun_anew = 0;       // runs that were not carried on with, as the log says
  int boards = 0;           // entries that were worked off to their end
  long long points = 0;     // in the runs of those entries
  double slowest_off_s = 0; // from a kill until supply, RF and LO reported off
  std::vector<std::string> findings;  // what is not as it must be; empty is good
};

// `say` gets one line a kill. Every wait is bounded. Throws std::runtime_error when the programs
// cannot be run at all.
Kills kill_at_random(int kills, std::uint64_t seed,
                     const std::function<void(const std::string&)>& say);

}  // namespace nightbench::testing
