#include <CLI/CLI.hpp>
#include <cstdio>

#include "daemon/cli/commands.hpp"
#include "drivers/base/json.hpp"
#include "drivers/bench/bench_file.hpp"
#include "mock_instruments/server/simulated_bench.hpp"

namespace nightbench::cli {
namespace {

// A bench file of kind "simulated" names its simulation; the simulation's own file will do too.
Result<std::filesystem::path> simulation_of(const std::string& text) {
  TRY_ASSIGN(const json::Node root, json::read_file(text));
  TRY_ASSIGN(auto fields, json::Fields::of(root, "a bench file"));
  if (fields.find("simulated_bench")) return std::filesystem::path(text);
  TRY_ASSIGN(const bench::BenchFile file, bench::read_bench(text));
  if (file.kind != bench::Kind::simulated) {
    return root.refuse("the bench is of kind \"" + std::string(bench::name(file.kind)) +
                       "\", only \"simulated\" ones can be simulated");
  }
  return file.simulation;
}

}  // namespace

void add_simulate(CLI::App& app, Chosen& chosen) {
  auto file = std::make_shared<std::string>();
  CLI::App* command = app.add_subcommand(
      "simulate", "Open a simulated bench on this machine's loopback until interrupted");
  command->add_option("bench", *file, "Bench file of kind simulated, or a simulation file")
      ->required();
  command->footer(
      "Prints one line per instrument: its name and its VISA resource name.\n"
      "Example: nightbench simulate docs/examples/bench-simulated.json");
  command->callback([file, &chosen] {
    chosen = [file] {
      const Result<std::filesystem::path> simulation = simulation_of(*file);
      if (!simulation) return complain(simulation.error());
      const Result<int> served = mock::server::serve(*simulation, [](const std::string& line) {
        std::printf("%s\n", line.c_str());
        std::fflush(stdout);
      });
      return served ? ExitCode::good : complain(served.error());
    };
  });
}

}  // namespace nightbench::cli
