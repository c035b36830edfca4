// The service as a whole: rooms put together, signals, the service manager, the order in which all
// ends. Owns the process: one a process.
#pragma once

#include <filesystem>
#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "daemon/nightbenchd/config.hpp"

namespace nightbench::daemon {

struct Options {
  std::optional<std::filesystem::path> config;  // its file, when there is one
  // From the command line; what is given here counts more than the file, after a reload too.
  std::string bench, state, answers, log_level;
  std::vector<std::string> listen;
  bool log_json = false, log_stderr = false;
};

// The file with the command line over it. Errors: bad_input.
Result<Config> settle(const Options& options);

// Serves until SIGINT or SIGTERM: then the run under way ends, the outputs are switched off, and
// only after that nobody is answered any more. SIGHUP reads the file again. `say` gets one line per
// address it listens on. Errors: what kept it from starting.
Result<void> serve(const Options& options, const std::function<void(const std::string&)>& say);

}  // namespace nightbench::daemon
