// The commands of `nightbench`, one file each. Every function adds its command to `app`; when the
// command line names it, `chosen` becomes what main() has to do, which returns the exit code.
#pragma once

#include <functional>

#include "daemon/cli/exit_code.hpp"
#include "drivers/base/error.hpp"

namespace CLI {
class App;
}

namespace nightbench::cli {

using Chosen = std::function<ExitCode()>;

void add_run(CLI::App& app, Chosen& chosen);
void add_check(CLI::App& app, Chosen& chosen);
void add_simulate(CLI::App& app, Chosen& chosen);
void add_analyse(CLI::App& app, Chosen& chosen);
void add_report(CLI::App& app, Chosen& chosen);
void add_diagnose(CLI::App& app, Chosen& chosen);
void add_watch(CLI::App& app, Chosen& chosen);
void add_queue(CLI::App& app, Chosen& chosen);
void add_instruments(CLI::App& app, Chosen& chosen);

// Prints the error on standard error and gives the exit code that goes with its kind.
ExitCode complain(const Error& error);

}  // namespace nightbench::cli
