#include <CLI/CLI.hpp>
#include <cstdio>
#include <nlohmann/json.hpp>

#include "daemon/cli/commands.hpp"
#include "daemon/cli/find_run.hpp"
#include "daemon/cli/places.hpp"
#include "sequences/diagnosis/diagnose.hpp"
#include "sequences/diagnosis/diagnosis_json.hpp"
#include "sequences/diagnosis/diagnosis_text.hpp"

namespace nightbench::cli {
namespace {

struct DiagnoseOptions {
  std::string run;
  std::string store;
  std::string book = kUsualFaultBook;
  bool json = false;
};

// A board that is not good has missed something; without a reading there is no verdict.
ExitCode code_of(diagnosis::Conclusion conclusion) {
  switch (conclusion) {
    case diagnosis::Conclusion::healthy: return ExitCode::good;
    case diagnosis::Conclusion::nothing_measured: return ExitCode::bench_failed;
    default: return ExitCode::missed;
  }
}

Result<ExitCode> make(const DiagnoseOptions& options) {
  TRY_ASSIGN(const std::filesystem::path file, find_fault_book(options.book));
  TRY_ASSIGN(const diagnosis::FaultBook book, diagnosis::read_fault_book(file));
  TRY_ASSIGN(const record::Run run, load_run(options.store, options.run));
  TRY_ASSIGN(const diagnosis::Diagnosis found, diagnosis::diagnose(run, book));
  if (options.json) {
    std::printf("%s\n", diagnosis::json_of(found, run, book)
                            .dump(2, ' ', false, nlohmann::json::error_handler_t::replace)
                            .c_str());
  } else {
    std::printf("%s", diagnosis::text_of(found, run).c_str());
  }
  return code_of(found.conclusion);
}

}  // namespace

void add_diagnose(CLI::App& app, Chosen& chosen) {
  auto options = std::make_shared<DiagnoseOptions>();
  options->store = default_out().string();
  CLI::App* command =
      app.add_subcommand("diagnose", "Say where the fault is, from the readings of a run");
  command
      ->add_option("run", options->run,
                   "Run id, a board's serial number (its latest run), \"latest\", or a results file")
      ->required();
  command->add_option("--store", options->store, "Folder given to run as --out")
      ->capture_default_str();
  command->add_option("--book", options->book, "Fault book: a file, or a name from the library")
      ->capture_default_str();
  command->add_flag("--json", options->json, "Print the diagnosis as JSON");
  command->footer("Example: nightbench diagnose H30-004");
  command->callback([options, &chosen] {
    chosen = [options] {
      const Result<ExitCode> code = make(*options);
      return code ? *code : complain(code.error());
    };
  });
}

}  // namespace nightbench::cli
