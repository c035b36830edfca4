// The response report: one HTML file per board that holds everything it shows.
//
// The verdict and its reasons come first, in words; then what to do next, who measured what with
// which instruments, the curves over frequency with their limits and uncertainties, the time
// traces, and every reading. No network, no file beside it, no script but the one that shows values
// under the pointer (hover.hpp); it prints on A4. The same
// run gives the same bytes. Every text from outside is escaped. A missing reading is a gap with its
// reason. Pure: no clock, no locale, no files. Values are shown in the unit the reading carries.
#pragma once

#include <string>
#include <vector>

#include "sequences/record/run.hpp"

namespace nightbench::report {

// What a diagnosis adds to the run: one suspected cause, most likely first (diagnosis_part.hpp makes
// them).
struct Finding {
  std::string title{};                  // "Sampling capacitor of 90 deg open"
  std::string explanation{};            // why: one or two sentences
  std::vector<std::string> evidence{};  // readings that speak for it, one line each
  std::string next_check{};             // what to measure or do next to be sure
  double weight = -1;                   // its probability, 0..1; -1 not stated
  std::vector<std::string> against{};   // readings that speak against it
  std::vector<std::string> repairs{};
  std::vector<std::string> cautions{};
};

struct ReportOptions {
  std::vector<Finding> findings{};
  std::string diagnosis{};  // what the findings come to, one sentence; "" when none was made
  // A known good board, or this one before its repair, to set beside; must outlive the call.
  const record::Run* baseline = nullptr;
  // SHA-256 of the results file that belongs to this report, lower-case hex; "" leaves it out.
  std::string results_sha256{};
};

std::string response_report_html(const record::Run& run, const ReportOptions& options = {});

}  // namespace nightbench::report
