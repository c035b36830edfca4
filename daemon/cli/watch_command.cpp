#include <CLI/CLI.hpp>
#include <cstdio>

#include "daemon/cli/bench_session.hpp"
#include "daemon/cli/commands.hpp"
#include "daemon/cli/hands.hpp"
#include "daemon/cli/places.hpp"
#include "daemon/cli/watch_screen.hpp"
#include "drivers/base/json.hpp"
#include "sequences/engine/engine.hpp"
#include "sequences/engine/watch.hpp"

namespace nightbench::cli {
namespace {

struct WatchOptions {
  std::string what;
  std::string bench;
  std::string board;
  std::string board_type = "heron-30";
  std::string hand;
  std::string quantity;
  double every_s = 0.25;
  engine::WatchSources sources;
  bool silent = false;
};

Result<script::Plan> watch_plan(const WatchOptions& options, const bench::BenchFile& file) {
  TRY_ASSIGN(const std::filesystem::path type_file, find_board_type(options.board_type));
  TRY_ASSIGN(script::BoardType type, script::read_board_type(type_file));
  TRY_ASSIGN(const std::string text, engine::watch_script(type, options.what, options.sources));
  TRY_ASSIGN(const json::Node root, json::parse(text, "watch " + options.what));
  TRY_ASSIGN(script::Script script, script::decode_script(root, text, {}));
  script::Plan plan(std::move(script), std::move(type));
  TRY(engine::check_wiring(plan, file));
  return plan;
}

Result<ExitCode> watch(const WatchOptions& options) {
  TRY_ASSIGN(const bench::BenchFile file, bench::read_bench(options.bench));
  TRY_ASSIGN(const script::Plan plan, watch_plan(options, file));
  TRY_ASSIGN(const HandChoice choice, read_hand(options.hand, file.kind == bench::Kind::simulated));
  TRY_ASSIGN(const auto session, BenchSession::make(options.bench));
  if (session->simulation() != nullptr && !options.board.empty()) {
    TRY(session->simulation()->place_board(options.board));
  }
  WatchScreen screen(stdout, options.silent);
  Hands hands(choice, *session, stderr, [&screen] { screen.finish(); }, false);
  std::optional<engine::Watch> watching;
  bench::Bench* open = nullptr;
  const auto work = [&]() -> Awaitable<Result<int>> {
    CO_TRY_ASSIGN(open, co_await session->open_guarded({}, [&watching] {
      if (watching) watching->request_stop();
    }));
    CO_TRY(co_await session->arm());
    engine::WatchSettings settings;
    settings.every = from_seconds(options.every_s);
    settings.quantity = options.quantity;
    watching.emplace(plan, *open, &hands.for_run(), settings);
    CO_TRY_ASSIGN(
        const engine::WatchEnd end,
        co_await watching->run([&screen](const engine::WatchRound& round) { screen.show(round); }));
    session->rest();
    screen.finish();
    if (end == engine::WatchEnd::stopped) co_return static_cast<int>(ExitCode::interrupted);
    std::printf("Inside its limits, three rounds in a row; everything is switched off.\n");
    co_return static_cast<int>(ExitCode::good);
  };
  TRY_ASSIGN(const int code, session->run(work, [&](int count) {
    if (watching) watching->request_stop();
    if (count > 1 && open != nullptr) open->close();
  }));
  return static_cast<ExitCode>(code);
}

}  // namespace

void add_watch(CLI::App& app, Chosen& chosen) {
  auto options = std::make_shared<WatchOptions>();
  CLI::App* command = app.add_subcommand(
      "watch", "Measure one value again and again while you work on the board, until it is good");
  command
      ->add_option("what", options->what, "A pair, a resistance or a test point of the board type")
      ->required();
  command->add_option("--bench", options->bench, "Bench file")->required();
  command->add_option("--board", options->board, "Board to put on a simulated bench");
  command->add_option("--board-type", options->board_type, "Board type file or name")
      ->capture_default_str();
  command->add_option("--quantity", options->quantity,
                      "Of a pair: phase (default), balance, level_1, level_2 or frequency");
  command->add_option("--every", options->every_s, "Seconds from one round to the next")
      ->check(CLI::Range(0.05, 60.0))
      ->capture_default_str();
  command->add_option("--lo", options->sources.lo, "LO frequency; default: middle of the band");
  command->add_option("--rf", options->sources.rf, "RF frequency; default: 5 kHz above the LO");
  command->add_option("--level", options->sources.level,
                      "RF level; default: 6 dB below what the board type allows");
  command->add_option("--hand", options->hand,
                      "Who answers and moves probes: person; on a simulated bench also steady or "
                      "clumsy[:SEED] (default there: steady)");
  command->add_flag("--silent", options->silent, "No bell");
  command->footer(
      "Example: nightbench watch lo --bench bench.json\n"
      "Exit code: 0 inside its limits, 2 usage or file, 3 bench failed, 130 interrupted");
  command->callback([options, &chosen] {
    chosen = [options] {
      const Result<ExitCode> code = watch(*options);
      return code ? *code : complain(code.error());
    };
  });
}

}  // namespace nightbench::cli
