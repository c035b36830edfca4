// Where the fault is likely to be, as a section of the response report. Pure.
#pragma once

#include "sequences/diagnosis/diagnose.hpp"
#include "sequences/report/response_report.hpp"

namespace nightbench::report {

// Adds the causes that are worth a reader's time, and the sentence they come to. Nothing for a good
// board and for one of which nothing was measured.
void add_diagnosis(const diagnosis::Diagnosis& found, ReportOptions& options);

}  // namespace nightbench::report
