#include <cstdio>

#include "daemon/cli/commands.hpp"

namespace nightbench::cli {

ExitCode complain(const Error& error) {
  std::fprintf(stderr, "nightbench: %s\n", describe(error).c_str());
  switch (error.kind) {
    case ErrorKind::bad_input:
      return ExitCode::usage;
    case ErrorKind::cancelled:
      return ExitCode::interrupted;
    default:
      return ExitCode::bench_failed;
  }
}

}  // namespace nightbench::cli
