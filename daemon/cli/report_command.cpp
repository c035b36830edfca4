#include <CLI/CLI.hpp>
#include <cstdio>
#include <nlohmann/json.hpp>
#include <optional>

#include "daemon/cli/commands.hpp"
#include "daemon/cli/diagnosed.hpp"
#include "daemon/cli/find_run.hpp"
#include "daemon/cli/places.hpp"
#include "daemon/cli/print_pdf.hpp"
#include "daemon/store/sqlite_journal.hpp"
#include "sequences/report/tables.hpp"
#include "sequences/report/write_files.hpp"

namespace nightbench::cli {
namespace {

struct ReportOptions {
  std::string run;
  std::string store;
  std::string out;
  std::string baseline;
  bool json = false;
  bool pdf = false;
};

Result<ExitCode> list(store::SqliteJournal& journal, bool json) {
  TRY_ASSIGN(const auto all, journal.runs());
  std::vector<std::vector<std::string>> rows;
  nlohmann::ordered_json out = nlohmann::ordered_json::array();
  for (const store::RunSummary& each : all) {
    const std::string points =
        std::to_string(each.points) + " of " + std::to_string(each.planned_points);
    rows.push_back({each.run_id, each.board, each.script, record::word(each.verdict),
                    record::word(each.outcome), points});
    out.push_back({{"run", each.run_id},
                   {"board", each.board},
                   {"script", each.script},
                   {"verdict", record::word(each.verdict)},
                   {"outcome", record::word(each.outcome)},
                   {"points", each.points},
                   {"planned_points", each.planned_points}});
  }
  if (json)
    std::printf("%s\n", out.dump(2).c_str());
  else {
    std::printf("%s",
                report::text_table(
                    {{"Run"}, {"Board"}, {"Script"}, {"Verdict"}, {"Ended"}, {"Points"}}, rows, 120)
                    .c_str());
  }
  return ExitCode::good;
}

Result<ExitCode> make(const ReportOptions& options) {
  store::Options how;
  how.read_only = true;
  const std::filesystem::path folder(options.store);
  if (options.pdf && options.run.empty()) {
    return fail(ErrorKind::bad_input, "--pdf: say which run, or \"latest\"");
  }
  std::filesystem::path chromium;
  if (options.pdf) {
    TRY_ASSIGN(chromium, find_chromium());
  }
  TRY_ASSIGN(const auto journal, store::SqliteJournal::open(folder / "nightbench.db", how));
  if (options.run.empty()) return list(*journal, options.json);
  TRY_ASSIGN(const std::string id, find_run(*journal, options.run));
  TRY_ASSIGN(const record::Run run, journal->load(id));
  report::ReportOptions how_to = diagnosed(run);
  std::optional<record::Run> baseline;
  if (!options.baseline.empty()) {
    TRY_ASSIGN(baseline, load_run(options.store, options.baseline));
    if (baseline->header.run_id == run.header.run_id) {
      return fail(ErrorKind::bad_input,
                  "--baseline " + options.baseline + " is the run itself: name another one");
    }
    how_to.baseline = &*baseline;
  }
  const std::string out = options.out.empty() ? options.store : options.out;
  TRY_ASSIGN(const report::Written files, report::write_run_files(out, run, how_to));
  std::filesystem::path pdf = files.report;
  pdf.replace_extension(".pdf");
  if (options.pdf) TRY(print_pdf(chromium, files.report, pdf));
  if (options.json) {
    nlohmann::ordered_json said{{"run", id},
                                {"verdict", record::word(record::verdict(run))},
                                {"report", files.report.string()},
                                {"results", files.results.string()},
                                {"readings", files.csv.string()},
                                {"junit", files.junit.string()},
                                {"correction", files.correction.string()},
                                {"correction_csv", files.correction_csv.string()}};
    if (options.pdf) said["pdf"] = pdf.string();
    std::printf("%s\n", said.dump(2).c_str());
  } else {
    std::printf("%s", report::closing_table(run).c_str());
    std::printf("Report: %s\n", files.report.string().c_str());
    if (options.pdf) std::printf("PDF: %s\n", pdf.string().c_str());
  }
  return ExitCode::good;
}

}  // namespace

void add_report(CLI::App& app, Chosen& chosen) {
  auto options = std::make_shared<ReportOptions>();
  options->store = default_out().string();
  CLI::App* command =
      app.add_subcommand("report", "Make the report of a run again from the store, or list runs");
  command->add_option(
      "run", options->run,
      "Run id, a board's serial number (its latest run), or \"latest\"; none: list");
  command->add_option("--store", options->store, "Folder given to run as --out")
      ->capture_default_str();
  command->add_option("--out", options->out, "Folder for the files; default: the store's");
  command->add_option("--baseline", options->baseline,
                      "A known good board, or a run (before the repair), to set beside this one: as the "
                      "run is named, or a results file");
  command->add_flag("--pdf", options->pdf, "Also print the report to PDF, with Chromium");
  command->add_flag("--json", options->json, "Print the outcome as JSON");
  command->footer("Example: nightbench report H30-001");
  command->callback([options, &chosen] {
    chosen = [options] {
      const Result<ExitCode> code = make(*options);
      return code ? *code : complain(code.error());
    };
  });
}

}  // namespace nightbench::cli
