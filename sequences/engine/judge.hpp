// From what was measured to what is recorded: each outcome named, titled, set against its limit and
// decided. Pure.
#pragma once

#include <string>
#include <vector>

#include "sequences/engine/drift_watch.hpp"
#include "sequences/reading/iq.hpp"
#include "sequences/record/run.hpp"
#include "sequences/script/limits.hpp"

namespace nightbench::engine {

// One outcome as a reading of the record; judged when `limit` has a bound.
record::Reading judge(const std::string& quantity, const std::string& title,
                      const std::string& unit, const reading::Outcome& outcome,
                      const record::Limit& limit);

// All quantities of an I/Q capture, in the order in which people read them, judged at `rf_hz`.
// `spread` is what a repeated reference point has shown so far; it widens U.
std::vector<record::Reading> judge(const reading::IqResult& result, const script::Limits& limits,
                                   double rf_hz, const Spread& spread = {});

// The same quantities without values, for one reason that is none of the capture's.
std::vector<record::Reading> unread_iq(const script::Limits& limits, double rf_hz,
                                       const std::string& reason, const std::string& detail);

// The findings of a capture as notes for the record.
std::vector<std::string> notes(const reading::IqResult& result);

}  // namespace nightbench::engine
