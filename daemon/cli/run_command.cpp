#include <unistd.h>

#include <CLI/CLI.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <cstdio>
#include <cstdlib>
#include <nlohmann/json.hpp>
#include <optional>

#include "daemon/cli/bench_session.hpp"
#include "daemon/cli/capture_folder.hpp"
#include "daemon/cli/commands.hpp"
#include "daemon/cli/diagnosed.hpp"
#include "daemon/cli/fault_search.hpp"
#include "daemon/cli/hands.hpp"
#include "daemon/cli/places.hpp"
#include "daemon/cli/plan_files.hpp"
#include "daemon/cli/progress_line.hpp"
#include "daemon/cli/recorded_operator.hpp"
#include "daemon/store/sqlite_journal.hpp"
#include "sequences/engine/engine.hpp"
#include "sequences/engine/header.hpp"
#include "sequences/report/junit.hpp"
#include "sequences/report/tables.hpp"
#include "sequences/report/write_files.hpp"

namespace nightbench::cli {
namespace {

struct RunOptions {
  PlanFiles files;
  std::string bench;
  std::vector<std::string> boards;
  std::string out;
  std::string junit;
  std::string person;
  std::string hand;
  std::string record;
  bool json = false;
  bool quiet = false;
  bool traffic = false;
  bool find_fault = false;
  bool keep_captures = false;
  double captures_most_mb = 500;
};

struct BoardRun {
  record::Run run;
  report::Written files;
};

// One board after the other on one open bench.
class Session {
 public:
  Session(const RunOptions& options, BenchSession& bench, const script::Plan& plan,
          store::SqliteJournal& journal, std::optional<HandChoice> hand)
      : options_(options),
        bench_(bench),
        plan_(plan),
        journal_(journal),
        analyst_(bench.io(), bench.pool()),
        progress_(stderr, options.quiet) {
    if (bench.recording()) replayed_ = replayed(bench.recording(), bench.clock());
    if (!hand) return;
    // Standard output is for what the command says at its end.
    hands_.emplace(*hand, bench, stderr, [this] { progress_.finish_line(); }, options.quiet);
  }

  Awaitable<Result<int>> work() {
    const std::filesystem::path log = std::filesystem::path(options_.out) / "guardian.log";
    CO_TRY_ASSIGN(bench::Bench* const open,
                  co_await bench_.open_guarded(log, [this] { lose_guardian(); }));
    open_ = open;
    for (const std::string& board : options_.boards) {
      if (stop_) break;
      CO_TRY(place(board));
      CO_TRY(co_await one(board));
    }
    co_return 0;
  }

  void signal(int count) {
    stop_ = true;
    if (engine_) engine_->request_stop();
    // A second signal does not wait for a slow instrument: its operation ends now, and the
    // outputs are switched off over new connections.
    if (count > 1 && open_ != nullptr) open_->close();
  }

  const std::vector<BoardRun>& runs() const { return runs_; }
  const std::optional<Error>& trouble() const { return trouble_; }
  std::string hand_summary() const { return hands_ ? hands_->summary() : ""; }

 private:
  Result<void> place(const std::string& board) {
    if (mock::server::SimulatedBench* simulation = bench_.simulation()) {
      return simulation->place_board(board);
    }
    return {};
  }

  void lose_guardian() {
    Error error;
    error.kind = ErrorKind::refused;
    error.message = "the guardian has ended, so everything is switched off";
    trouble_ = std::move(error);
    signal(1);
  }

  Awaitable<Result<void>> one(std::string board) {
    CO_TRY(co_await bench_.arm());
    engine::RunIdentity identity;
    identity.board = board;
    identity.person = options_.person;
    identity.program_version = NIGHTBENCH_VERSION;
    record::Header header = engine::make_header(plan_, *open_, identity);
    const std::string run_id = header.run_id;
    engine::Settings settings;
    if (hands_) settings.person = &hands_->for_run();
    if (options_.find_fault) {
      CO_TRY_ASSIGN(const std::filesystem::path file, find_fault_book(kUsualFaultBook));
      CO_TRY_ASSIGN(diagnosis::FaultBook book, diagnosis::read_fault_book(file));
      settings.chooser = fault_search(std::move(book), plan_.board_type());
    }
    if (replayed_) settings.person = replayed_.get();
    std::unique_ptr<engine::Operator> noted;
    if (bench_.recorder() && settings.person != nullptr) {
      noted = recorded(*settings.person, bench_.recorder(), bench_.clock());
      settings.person = noted.get();
    }
    // A replayed match was kept when it was measured.
    if (!bench_.recording()) settings.keep_match = [file = bench::match_path(bench_.file().file)](const bench::MatchFile& match) {
      return report::write_file(file, bench::match_text(match));
    };
    if (options_.keep_captures) {
      const auto folder = std::make_shared<CaptureFolder>(
          std::filesystem::path(options_.out) / (report::file_name(run_id) + ".captures"),
          static_cast<std::uintmax_t>(options_.captures_most_mb * 1e6));
      settings.keep_capture = [folder](const script::Action& action,
                                       const engine::PairCapture& capture) {
        return folder->keep(action, capture);
      };
    }
    engine_.emplace(plan_, *open_, journal_, analyst_, &progress_, std::move(settings));
    const Result<engine::Ending> ending = co_await engine_->run(std::move(header));
    engine_.reset();
    // With something left on the session ends, and the guardian goes on from there.
    if (ending && ending->all_off)
      bench_.rest();
    else
      stop_ = true;
    if (!ending) co_return fail(ending.error());
    if (ending->error && !trouble_) trouble_ = ending->error;
    CO_TRY_ASSIGN(record::Run run, journal_.load(run_id));
    CO_TRY_ASSIGN(report::Written files, report::write_run_files(options_.out, run, diagnosed(run)));
    runs_.push_back({std::move(run), std::move(files)});
    if (ending->outcome == record::Outcome::bench_failed) stop_ = true;
    co_return Result<void>();
  }

  const RunOptions& options_;
  BenchSession& bench_;
  const script::Plan& plan_;
  store::SqliteJournal& journal_;
  engine::Analyst analyst_;
  ProgressLine progress_;
  std::optional<Hands> hands_;
  std::unique_ptr<engine::Operator> replayed_;
  bench::Bench* open_ = nullptr;
  std::optional<engine::Engine> engine_;
  std::vector<BoardRun> runs_;
  std::optional<Error> trouble_;
  bool stop_ = false;
};

ExitCode code_of(const std::vector<BoardRun>& runs) {
  ExitCode worst = ExitCode::good;
  for (const BoardRun& each : runs) {
    if (each.run.outcome == record::Outcome::interrupted) return ExitCode::interrupted;
    const record::Verdict verdict = record::verdict(each.run);
    if (each.run.outcome == record::Outcome::bench_failed)
      worst = ExitCode::bench_failed;
    else if (verdict == record::Verdict::fail || each.run.outcome == record::Outcome::unsafe) {
      if (worst == ExitCode::good) worst = ExitCode::missed;
    } else if (verdict == record::Verdict::none && each.run.outcome == record::Outcome::complete) {
      bool judged = false;
      for (const record::Point& point : each.run.points) {
        for (const record::Reading& reading : point.readings) {
          judged = judged || reading.limit.lower || reading.limit.upper;
        }
      }
      // Limits that could not be judged on a bench that worked: the board did not meet them.
      if (judged && worst == ExitCode::good) worst = ExitCode::missed;
    }
  }
  return worst;
}

void print_json(const std::vector<BoardRun>& runs) {
  nlohmann::ordered_json out = nlohmann::ordered_json::array();
  for (const BoardRun& each : runs) {
    out.push_back({{"run", each.run.header.run_id},
                   {"board", each.run.header.board},
                   {"outcome", record::word(each.run.outcome)},
                   {"verdict", record::word(record::verdict(each.run))},
                   {"points", each.run.points.size()},
                   {"planned_points", each.run.header.planned_points},
                   {"report", each.files.report.string()},
                   {"results", each.files.results.string()},
                   {"readings", each.files.csv.string()},
                   {"junit", each.files.junit.string()},
                   {"correction", each.files.correction.string()},
                   {"correction_csv", each.files.correction_csv.string()}});
  }
  std::printf("%s\n", out.dump(2, ' ', false, nlohmann::json::error_handler_t::replace).c_str());
}

void print_tables(const std::vector<BoardRun>& runs) {
  for (const BoardRun& each : runs) {
    std::printf("\n%s", report::closing_table(each.run).c_str());
    std::printf("Report: %s\n", each.files.report.string().c_str());
  }
  if (runs.size() < 2) return;
  std::vector<std::vector<std::string>> rows;
  for (const BoardRun& each : runs) {
    rows.push_back({each.run.header.board, record::word(record::verdict(each.run)),
                    record::word(each.run.outcome), each.files.report.filename().string()});
  }
  std::printf("\n%s",
              report::text_table({{"Board"}, {"Verdict"}, {"Run"}, {"Report"}}, rows, 120).c_str());
}

Result<ExitCode> run(const RunOptions& options) {
  TRY_ASSIGN(const bench::BenchFile file, bench::read_bench(options.bench));
  TRY_ASSIGN(const script::Plan plan, read_plan(options.files, file));
  if (options.boards.size() > 1 && file.kind != bench::Kind::simulated) {
    return fail(ErrorKind::bad_input,
                "several boards in one command need a bench that can change them by itself; this "
                "one takes one --board at a time");
  }
  std::optional<HandChoice> hand;
  {
    TRY_ASSIGN(const HandChoice choice,
               read_hand(options.hand, file.kind == bench::Kind::simulated));
    if (file.kind != bench::Kind::replay && engine::needs_person(plan, file)) hand = choice;
  }
  TRY_ASSIGN(const auto journal,
             store::SqliteJournal::open(std::filesystem::path(options.out) / "nightbench.db"));
  TRY_ASSIGN(const auto bench, BenchSession::make(options.bench));
  if (!options.record.empty()) TRY(bench->record_to(options.record));
  if (options.traffic) bench->show_traffic();

  Session session(options, *bench, plan, *journal, hand);
  const Result<int> done = bench->run([&session] { return session.work(); },
                                      [&session](int count) { session.signal(count); });
  std::vector<record::Run> all;
  for (const BoardRun& each : session.runs()) all.push_back(each.run);
  if (!options.junit.empty() && !all.empty()) {
    TRY(report::write_file(options.junit, report::junit_xml(all)));
  }
  if (options.json)
    print_json(session.runs());
  else
    print_tables(session.runs());
  const std::string hand_summary = session.hand_summary();
  if (!hand_summary.empty()) std::fprintf(stderr, "%s\n", hand_summary.c_str());
  if (bench->recorder()) {
    if (const std::optional<Error> cut = bench->recorder()->failure()) return fail(*cut);
  }
  if (bench->recording() && bench->recording()->divergence()) {
    return fail(*bench->recording()->divergence());
  }
  if (!done) return fail(done.error());
  if (session.trouble())
    std::fprintf(stderr, "nightbench: %s\n", describe(*session.trouble()).c_str());
  return code_of(session.runs());
}

}  // namespace

void add_run(CLI::App& app, Chosen& chosen) {
  auto options = std::make_shared<RunOptions>();
  options->out = default_out().string();
  if (const char* user = std::getenv("USER"); user != nullptr) options->person = user;
  CLI::App* command = app.add_subcommand("run", "Run a script on a board and leave its report");
  command->add_option("script", options->files.script, "Script file, or a name from the library")
      ->required();
  command->add_option("--bench", options->bench, "Bench file")->required();
  command->add_option("--board", options->boards, "Serial number of the board (may be repeated)")
      ->required();
  command->add_option("--board-type", options->files.board_type,
                      "Board type file or name; default: the one the script names");
  command->add_option("--out", options->out, "Folder for the store and the reports")
      ->capture_default_str();
  command->add_option("--junit", options->junit, "Also write JUnit XML of all boards to this file");
  command->add_option("--set", options->files.settings, "NAME=VALUE for a parameter of the script");
  command->add_option("--operator", options->person, "Who runs it, for the record")
      ->capture_default_str();
  command->add_option("--hand", options->hand,
                      "Who answers and moves probes: person; on a simulated bench also steady or "
                      "clumsy[:SEED] (default there: steady)");
  command->add_flag("--find-fault", options->find_fault,
                    "Once the board has power, measure what tells most for the fewest probe moves, and "
                    "end when the fault is found");
  command->add_flag("--keep-captures", options->keep_captures,
                    "Keep every I/Q capture as SigMF in a folder of the run");
  command
      ->add_option("--captures-most", options->captures_most_mb,
                   "Megabytes of captures to keep of a run; later ones are not kept")
      ->check(CLI::Range(1.0, 1e6))
      ->capture_default_str();
  command->add_option("--record", options->record,
                      "Record every exchange with the instruments in this new file (JSON Lines)");
  command->add_flag("--json", options->json, "Print the outcome as JSON");
  command->add_flag("--quiet", options->quiet, "No progress");
  command->add_flag("--traffic", options->traffic,
                    "Show every message to and from the instruments");
  command->footer(
      "Example: nightbench run response --bench bench.json --board H30-001\n"
      "Exit code: 0 limits met, 1 a limit missed, 2 usage or file, 3 bench failed, "
      "130 interrupted");
  command->callback([options, &chosen] {
    chosen = [options] {
      const Result<ExitCode> code = run(*options);
      return code ? *code : complain(code.error());
    };
  });
}

}  // namespace nightbench::cli
