// The service program. What it does is in program.cpp.
#include <CLI/CLI.hpp>
#include <cstdio>
#include <exception>

#include "daemon/cli/commands.hpp"
#include "daemon/nightbenchd/program.hpp"

int main(int argc, char** argv) {
  namespace cli = nightbench::cli;
  CLI::App app{
      "nightbenchd: owns the bench, works the queue off, and serves the bench page and its "
      "interface"};
  app.set_version_flag("--version", NIGHTBENCH_VERSION);
  nightbench::daemon::Options options;
  std::string config;
  app.add_option("--config", config,
                 "The service's file; default: ~/.config/nightbench/nightbenchd.json, else "
                 "/etc/nightbench/nightbenchd.json, where they are");
  app.add_option("--bench", options.bench, "Bench file");
  app.add_option("--state", options.state,
                 "Folder of store, reports and log; default: $STATE_DIRECTORY or "
                 "~/.local/state/nightbench");
  app.add_option(
      "--listen", options.listen,
      "Address such as 127.0.0.1:7411, 127.0.0.1:0 (any free port) or unix:/path; may be "
      "repeated");
  app.add_option("--answers", options.answers,
                 "Who answers questions: person, or simulated on a simulated bench")
      ->check(CLI::IsMember({"person", "simulated"}));
  app.add_option("--log-level", options.log_level, "trace, debug, info, warning or error")
      ->check(CLI::IsMember({"trace", "debug", "info", "warning", "error"}));
  app.add_flag("--log-json", options.log_json, "One JSON object a line");
  app.add_flag("--log-stderr", options.log_stderr, "Log to standard error, not to a file");
  app.footer(
      "Example: nightbenchd --bench bench.json\n"
      "SIGTERM: ends the run, switches off, ends. SIGHUP: reads the file again.");
  try {
    app.parse(argc, argv);
  } catch (const CLI::ParseError& stopped) {
    return app.exit(stopped) == 0 ? 0 : static_cast<int>(cli::ExitCode::usage);
  }
  try {
    options.config = config.empty() ? nightbench::daemon::usual_config()
                                    : std::optional<std::filesystem::path>(config);
    const auto served = nightbench::daemon::serve(options, [](const std::string& line) {
      std::printf("%s\n", line.c_str());
      std::fflush(stdout);
    });
    return served ? 0 : static_cast<int>(cli::complain(served.error()));
  } catch (const std::exception& bug) {
    std::fprintf(stderr, "nightbenchd: a bug in the program, please report it: %s\n", bug.what());
    return static_cast<int>(cli::ExitCode::bench_failed);
  }
}
