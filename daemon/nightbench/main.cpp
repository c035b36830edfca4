// The command line program. Commands live in daemon/cli, one file each.
#include <CLI/CLI.hpp>
#include <cstdio>
#include <exception>

#include "daemon/cli/commands.hpp"

int main(int argc, char** argv) {
  namespace cli = nightbench::cli;
  CLI::App app{
      "nightbench: measures I/Q receiver boards on a bench of SCPI instruments, and says how sure "
      "it is"};
  app.set_version_flag("--version", NIGHTBENCH_VERSION);
  app.require_subcommand(1);
  cli::Chosen chosen;
  cli::add_run(app, chosen);
  cli::add_check(app, chosen);
  cli::add_simulate(app, chosen);
  cli::add_analyse(app, chosen);
  cli::add_report(app, chosen);
  cli::add_diagnose(app, chosen);
  cli::add_watch(app, chosen);
  cli::add_queue(app, chosen);
  cli::add_instruments(app, chosen);
  try {
    app.parse(argc, argv);
  } catch (const CLI::ParseError& stopped) {
    const int shown = app.exit(stopped);
    return shown == 0 ? 0 : static_cast<int>(cli::ExitCode::usage);
  }
  try {
    return static_cast<int>(chosen());
  } catch (const std::exception& bug) {
    std::fprintf(stderr, "nightbench: a bug in the program, please report it: %s\n", bug.what());
    return static_cast<int>(cli::ExitCode::bench_failed);
  }
}
