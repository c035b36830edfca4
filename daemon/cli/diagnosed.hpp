// The diagnosis that goes into a report.
#pragma once

#include "sequences/record/run.hpp"
#include "sequences/report/response_report.hpp"

namespace nightbench::cli {

// Where the fault is likely to be, by the library's fault book, when the run did not pass. A
// diagnosis that cannot be made is said on standard error; the report is made without it.
report::ReportOptions diagnosed(const record::Run& run);

}  // namespace nightbench::cli
