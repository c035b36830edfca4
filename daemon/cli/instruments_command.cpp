#include <CLI/CLI.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <cstdio>
#include <nlohmann/json.hpp>

#include "daemon/cli/bench_session.hpp"
#include "daemon/cli/commands.hpp"
#include "sequences/report/tables.hpp"

namespace nightbench::cli {
namespace {

struct InstrumentsOptions {
  std::string bench;
  bool json = false;
  bool traffic = false;
};

Awaitable<Result<int>> look(BenchSession& session, bool json) {
  CO_TRY_ASSIGN(bench::Bench* const open, co_await session.open());
  std::vector<std::vector<std::string>> rows;
  nlohmann::ordered_json out = nlohmann::ordered_json::array();
  for (instrument::Instrument* each : open->all()) {
    CO_TRY(co_await each->session().check());
    const scpi::Identity& identity = each->identity();
    rows.push_back({each->name(), instrument::name(each->dialect().role()), identity.text,
                    each->session().resource()});
    out.push_back({{"instrument", each->name()},
                   {"role", instrument::name(each->dialect().role())},
                   {"dialect", each->dialect().name()},
                   {"identity", identity.text},
                   {"resource", each->session().resource()}});
  }
  if (json) {
    std::printf("%s\n", out.dump(2, ' ', false, nlohmann::json::error_handler_t::replace).c_str());
  } else {
    std::printf(
        "%s", report::text_table({{"Instrument"}, {"Role"}, {"Identity"}, {"Resource"}}, rows, 120)
                  .c_str());
  }
  open->close();
  co_return 0;
}

Result<ExitCode> check(const InstrumentsOptions& options) {
  TRY_ASSIGN(const auto session, BenchSession::make(options.bench));
  if (options.traffic) session->show_traffic();
  BenchSession& bench = *session;
  TRY(session->run([&bench, &options] { return look(bench, options.json); }, [](int) {}));
  return ExitCode::good;
}

}  // namespace

void add_instruments(CLI::App& app, Chosen& chosen) {
  auto options = std::make_shared<InstrumentsOptions>();
  CLI::App* group = app.add_subcommand("instruments", "The instruments of a bench");
  group->require_subcommand(1);
  CLI::App* command = group->add_subcommand(
      "check", "Connect to every instrument, ask who it is and read its error queue");
  command->add_option("--bench", options->bench, "Bench file")->required();
  command->add_flag("--json", options->json, "Print the outcome as JSON");
  command->add_flag("--traffic", options->traffic,
                    "Show every message to and from the instruments");
  command->footer("Example: nightbench instruments check --bench bench.json");
  command->callback([options, &chosen] {
    chosen = [options] {
      const Result<ExitCode> code = check(*options);
      return code ? *code : complain(code.error());
    };
  });
}

}  // namespace nightbench::cli
