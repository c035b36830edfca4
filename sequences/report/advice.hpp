// What to do next, in the order in which to do it: from the findings of a diagnosis when there are
// any, else from which quantities miss their limits and why readings are missing. The rules are
// common practice at such boards, without a published source. Pure.
#pragma once

#include <string>
#include <vector>

#include "sequences/record/run.hpp"
#include "sequences/report/response_report.hpp"
#include "sequences/report/summary.hpp"

namespace nightbench::report {

// At least one sentence, at most seven.
std::vector<std::string> next_steps(const record::Run& run, const Summary& summary,
                                    const std::vector<Finding>& findings);

// The usual cautions, then those the board type states.
std::vector<std::string> cautions(const record::Run& run);

}  // namespace nightbench::report
