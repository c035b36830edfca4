#include <CLI/CLI.hpp>
#include <cstdio>
#include <nlohmann/json.hpp>

#include "daemon/cli/commands.hpp"
#include "daemon/cli/places.hpp"
#include "daemon/cli/plan_files.hpp"
#include "daemon/cli/progress_line.hpp"
#include "drivers/instrument/dialect.hpp"
#include "sequences/engine/engine.hpp"
#include "sequences/report/tables.hpp"

namespace nightbench::cli {
namespace {

struct CheckOptions {
  PlanFiles files;
  std::string bench;
  bool json = false;
};

Result<ExitCode> check(const CheckOptions& options) {
  TRY_ASSIGN(const bench::BenchFile file, bench::read_bench(options.bench));
  TRY_ASSIGN(const script::Plan plan, read_plan(options.files, file));
  TRY_ASSIGN(const std::filesystem::path top, home());
  for (const bench::InstrumentEntry& entry : file.instruments) {
    TRY_ASSIGN(const instrument::Dialect dialect,
               instrument::find_dialect(dialect_folder(top), entry.dialect));
    if (dialect.role() != entry.role) {
      Error error;
      error.kind = ErrorKind::bad_input;
      error.file = options.bench;
      error.pointer = "/instruments/" + entry.name + "/dialect";
      error.message = "dialect \"" + entry.dialect + "\" is for the role \"" +
                      instrument::name(dialect.role()) + "\", the instrument has \"" +
                      instrument::name(entry.role) + "\"";
      return fail(std::move(error));
    }
  }
  const double estimate_s = engine::estimate_seconds(plan, file);
  nlohmann::ordered_json serving = nlohmann::ordered_json::array();
  std::vector<std::vector<std::string>> rows;
  for (const instrument::Role role : engine::roles_needed(plan)) {
    const bench::InstrumentEntry* entry = file.with_role(role);
    const std::string resource = entry->resource.empty() ? "simulated" : entry->resource;
    rows.push_back({instrument::name(role), entry->name, entry->dialect, resource});
    serving.push_back({{"role", instrument::name(role)},
                       {"instrument", entry->name},
                       {"dialect", entry->dialect},
                       {"resource", resource}});
  }
  if (options.json) {
    const nlohmann::ordered_json out{
        {"script", plan.script().name}, {"board_type", plan.board_type().name},
        {"bench", file.name},           {"points", plan.points()},
        {"actions", plan.actions()},    {"seconds_at_least", estimate_s},
        {"instruments", serving}};
    std::printf("%s\n", out.dump(2).c_str());
    return ExitCode::good;
  }
  std::printf("%s: good for board type %s on bench %s\n", plan.script().name.c_str(),
              plan.board_type().name.c_str(), file.name.c_str());
  std::printf("%llu points; settling and records alone take %s\n",
              static_cast<unsigned long long>(plan.points()), duration_text(estimate_s).c_str());
  std::printf(
      "\n%s",
      report::text_table({{"Role"}, {"Instrument"}, {"Dialect"}, {"Resource"}}, rows, 100).c_str());
  return ExitCode::good;
}

}  // namespace

void add_check(CLI::App& app, Chosen& chosen) {
  auto options = std::make_shared<CheckOptions>();
  CLI::App* command =
      app.add_subcommand("check", "Check a script against a bench without touching an instrument");
  command->add_option("script", options->files.script, "Script file, or a name from the library")
      ->required();
  command->add_option("--bench", options->bench, "Bench file")->required();
  command->add_option("--board-type", options->files.board_type,
                      "Board type file or name; default: the one the script names");
  command->add_option("--set", options->files.settings, "NAME=VALUE for a parameter of the script");
  command->add_flag("--json", options->json, "Print the outcome as JSON");
  command->footer("Example: nightbench check response --bench bench.json");
  command->callback([options, &chosen] {
    chosen = [options] {
      const Result<ExitCode> code = check(*options);
      return code ? *code : complain(code.error());
    };
  });
}

}  // namespace nightbench::cli
