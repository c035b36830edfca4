// A whole night on the simulated bench at the pace of real instruments, on virtual time: a script of
// the library on one board after the other until the night is over.
#pragma once

#include <cstdint>
#include <map>
#include <string>

namespace nightbench::testing {

struct Night {
  double virtual_hours =
      0;                   // on the bench's clock, from the first connection to the last run's end
  double processor_s = 0;  // of this thread
  double wall_s = 0;
  std::uint64_t runs = 0;
  std::uint64_t points = 0;
  std::uint64_t readings = 0;     // with a value
  std::uint64_t no_readings = 0;  // with a reason instead
  std::string fingerprint;        // SHA-256 over the results of every run, byte for byte
};

// What is run: "overnight" with so many rounds a board that it takes half an hour, or another.
struct NightScript {
  std::string name = "overnight";
  std::map<std::string, std::string> settings{{"rounds", "5"}};
};

// Runs are started until `hours` have passed on the virtual clock. `seed` replaces that of the
// simulated bench; everything else is as its file says. Throws std::runtime_error when a run fails.
Night run_night(double hours, std::uint64_t seed, const NightScript& script = {});

}  // namespace nightbench::testing
