// The parts of the response report, one function each; all return HTML with everything escaped.
#pragma once

#include <string>

#include "sequences/record/run.hpp"
#include "sequences/report/response_report.hpp"
#include "sequences/report/summary.hpp"

namespace nightbench::report {

// The style sheet; `footer` is printed at the foot of each page.
std::string report_style(const std::string& footer);

// A decision as a labelled mark, never by colour alone.
std::string decision_mark(record::Decision decision);

std::string verdict_part(const record::Run& run, const Summary& summary,
                         const ReportOptions& options);
std::string findings_part(const ReportOptions& options);
std::string quantities_part(const Summary& summary);
std::string curves_part(const record::Run& run, const Summary& summary,
                        const record::Run* baseline = nullptr);
// Each quantity where this run is furthest from the baseline, with both values; "" without one.
std::string baseline_part(const record::Run& run, const record::Run* baseline);
std::string traces_part(const record::Run& run, const Summary& summary);
std::string identity_part(const record::Run& run, const ReportOptions& options);
std::string readings_part(const record::Run& run);
// What U is made of, for each quantity at the kept point where it is largest; "" when no budget was kept.
std::string budget_part(const record::Run& run);
// The I/Q correction table; "" when no place has one.
std::string correction_part(const record::Run& run);
// What changed at places that were measured again and again; "" when there are none.
std::string drift_part(const record::Run& run);
// Pauses, the points measured more than once, and an end before the end.
std::string interruptions_part(const record::Run& run);
std::string events_part(const record::Run& run);
std::string cautions_part(const record::Run& run);

// "2026-11-25 03:04:05 UTC"
std::string utc(WallTime time);

}  // namespace nightbench::report
