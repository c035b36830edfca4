// What the whole-program tests share: the program under test and benches for it.
#pragma once

#include <map>
#include <memory>
#include <string>

#include "tests/support/places.hpp"
#include "tests/support/process.hpp"

namespace nightbench::testing {

inline const std::string kProgram = NIGHTBENCH_BINARY_DIR "/nightbench";
inline const std::string kSource = NIGHTBENCH_SOURCE_DIR;
inline const std::string kSimulatedBench = kSource + "/docs/examples/bench-simulated.json";

// `nightbench simulate` in a process of its own, and a bench file of kind "instruments" for it.
class SimulatedBenchProcess {
 public:
  // `simulation`: a simulation file or a bench file of kind simulated.
  explicit SimulatedBenchProcess(const ScratchFolder& folder,
                                 const std::string& simulation = kSimulatedBench);
  // The port of an instrument, 0 when it did not come up.
  int port(const std::string& instrument) const;
  const std::string& bench_file() const { return bench_file_; }
  Process& process() { return *process_; }

 private:
  std::unique_ptr<Process> process_;
  std::map<std::string, int> ports_;
  std::string bench_file_;
};

}  // namespace nightbench::testing
