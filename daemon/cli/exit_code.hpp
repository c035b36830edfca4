// What the program's exit code tells a CI job. Part of the interface: never renumber.
#pragma once

namespace nightbench::cli {

enum class ExitCode : int {
  good = 0,           // all limits met
  missed = 1,         // a board missed a limit
  usage = 2,          // a wrong argument or file; no instrument was touched
  bench_failed = 3,   // the bench let us down: no verdict
  interrupted = 130,  // stopped on request, outputs off
};

}  // namespace nightbench::cli
