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

// What a diagnosis adds to the run: one suspected fault, most likely first.
struct Finding {
  std::string title{};                  // "Q sampling capacitor open (C7)"
  std::string explanation{};            // why: one or two sentences
  std::vector<std::string> evidence{};  // readings that speak for it, one line each
  std::string next_check{};             // what to measure or do next to be sure
  double weight = -1;                   // 0..1, how much of the evidence it explains; -1 not stated
};

struct ReportOptions {
  std::vector<Finding> findings{};
  // SHA-256 of the results file that belongs to this report, lower-case hex; "" leaves it out.
  std::string results_sha256{};
};

std::string response_report_html(const record::Run& run, const ReportOptions& options = {});

}  // namespace nightbench::report
