// The service's log: rotating files or standard error, as text or as one JSON object a line. Times
// are UTC.
#pragma once

#include "daemon/nightbenchd/config.hpp"

namespace nightbench::daemon {

// Sets up the default logger of spdlog. Errors: storage.
Result<void> open_log(const LogConfig& config, const std::filesystem::path& state);
// The level and the form may change while it runs; the file may not.
void tune_log(const LogConfig& config);

}  // namespace nightbench::daemon
