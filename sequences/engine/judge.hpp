// From what was measured to what is recorded: each outcome named, titled, set against its limit and
// decided. Pure.
#pragma once

#include <string>
#include <vector>

#include "sequences/reading/iq.hpp"
#include "sequences/record/run.hpp"
#include "sequences/script/limits.hpp"

namespace nightbench::engine {

// One outcome as a reading of the record; judged when `limit` has a bound.
record::Reading judge(const std::string& quantity, const std::string& title,
                      const std::string& unit, const reading::Outcome& outcome,
                      const record::Limit& limit);

// All quantities of an I/Q capture, in the order in which people read them, judged at `rf_hz`.
std::vector<record::Reading> judge(const reading::IqResult& result, const script::Limits& limits,
                                   double rf_hz);

// The findings of a capture as notes for the record.
std::vector<std::string> notes(const reading::IqResult& result);

}  // namespace nightbench::engine
