#include <CLI/CLI.hpp>
#include <cstdio>

#include "daemon/analyse/analyse.hpp"
#include "daemon/cli/commands.hpp"
#include "drivers/base/quantity.hpp"
#include "drivers/bench/bench_file.hpp"
#include "sequences/engine/context.hpp"
#include "sequences/report/write_files.hpp"

namespace nightbench::cli {
namespace {

struct Options {
  analyse::AnalyseOptions analysis;
  std::string rf, lo, level, rate, second, second_rate, full_scale, bench, leads = "q", plot;
  bool json = false;
  bool budget = false;
};

// A quantity from the command line; `option` stands for the file in the error.
Result<void> take(const std::string& text, const char* option, Unit unit, double& into) {
  if (text.empty()) return {};
  const Result<double> value = parse_quantity(text, unit);
  if (!value) {
    return fail(ErrorKind::bad_input, std::string(option) + ": " + value.error().message);
  }
  into = *value;
  return {};
}

Result<ExitCode> look(Options options) {
  analyse::AnalyseOptions& analysis = options.analysis;
  if (!options.bench.empty()) {
    TRY_ASSIGN(const bench::BenchFile bench, bench::read_bench(options.bench));
    engine::use_accuracy(bench, analysis.context);
  }
  TRY(take(options.rf, "--rf", Unit::hertz, analysis.context.rf_hz));
  TRY(take(options.lo, "--lo", Unit::hertz, analysis.context.lo_hz));
  if (!options.level.empty()) {
    double level_dbm = 0;
    TRY(take(options.level, "--level", Unit::dbm, level_dbm));
    analysis.context.level_dbm = level_dbm;
  }
  if (!options.rate.empty()) {
    double rate_hz = 0;
    TRY(take(options.rate, "--rate", Unit::hertz, rate_hz));
    analysis.reading.rate_hz = rate_hz;
  }
  if (!options.full_scale.empty()) {
    double full_scale_v = 0;
    TRY(take(options.full_scale, "--full-scale", Unit::volt, full_scale_v));
    if (!(full_scale_v > 0)) return fail(ErrorKind::bad_input, "--full-scale: expected volts above 0");
    analysis.reading.full_scale_v = full_scale_v;
  }
  if (!options.second_rate.empty()) {
    double rate_hz = 0;
    TRY(take(options.second_rate, "--second-rate", Unit::hertz, rate_hz));
    analysis.second_rate_hz = rate_hz;
  }
  if (!options.second.empty()) analysis.second = options.second;
  analysis.context.sense = options.leads == "i" ? 1 : -1;
  TRY_ASSIGN(const analyse::AnalyseOutcome outcome, analyse::analyse(analysis));
  if (!options.plot.empty()) TRY(report::write_file(options.plot, analyse::as_svg(outcome)));
  const std::string said =
      options.json ? analyse::as_json(outcome) : analyse::as_text(outcome, options.budget);
  std::fputs(said.c_str(), stdout);
  return outcome.refused ? ExitCode::bench_failed : ExitCode::good;
}

}  // namespace

void add_analyse(CLI::App& app, Chosen& chosen) {
  auto options = std::make_shared<Options>();
  CLI::App* command = app.add_subcommand(
      "analyse", "What a capture file tells about a board: SigMF, CSV or WAV with I and Q");
  command->add_option("capture", options->analysis.capture, "Capture file")->required();
  command->add_option("--rf", options->rf, "RF frequency, for example \"10.125 MHz\"");
  command->add_option("--lo", options->lo, "LO frequency; default: the capture's centre frequency");
  command->add_option("--level", options->level, "Level of the source, for example \"-40 dBm\"");
  command
      ->add_option("--leads", options->leads, "The channel that leads when the RF is above the LO")
      ->check(CLI::IsMember({"i", "q"}))
      ->capture_default_str();
  command->add_option("--rate", options->rate, "Sample rate, for files that do not state one");
  command->add_option("--second", options->second,
                      "The same signal at another rate, to prove that it is not an alias");
  command->add_option("--second-rate", options->second_rate,
                      "Sample rate of the second capture, where it does not state one");
  command->add_option("--full-scale", options->full_scale,
                      "Volts (peak) that full scale stands for, for files of codes");
  command
      ->add_option("--i-channel", options->analysis.i_channel, "Channel of the file that is I, from 1")
      ->check(CLI::Range(1, 64))
      ->capture_default_str();
  command->add_option("--q-channel", options->analysis.q_channel, "Channel that is Q")
      ->check(CLI::Range(1, 64))
      ->capture_default_str();
  command->add_option("--bench", options->bench,
                      "Bench file whose path loss and accuracies go into U");
  command->add_option("--plot", options->plot, "Write a picture (SVG) to this file");
  command->add_flag("--budget", options->budget, "Show what each uncertainty is made of");
  command->add_flag("--json", options->json, "Print the outcome as JSON");
  command->footer(
      "Example: nightbench analyse capture.sigmf-meta --rf \"10.125 MHz\" --budget\n"
      "Exit code: 0 readings, 2 a wrong file, 3 the capture gives no reading");
  command->callback([options, &chosen] {
    chosen = [options] {
      const Result<ExitCode> code = look(*options);
      return code ? *code : complain(code.error());
    };
  });
}

}  // namespace nightbench::cli
