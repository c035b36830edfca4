// Readings as CSV (RFC 4180): one row per reading, CR LF line ends, UTF-8, a header row.
//
// Columns: run, board, script, ordinal, step, label, started, attempts, then one column per
// coordinate that any point of the run has ("at rf_hz"), then quantity, title, value, unit,
// expanded_u (k = 2), low, high, lower_limit, upper_limit, limit_name, decision,
// conform_probability, reason, detail. Numbers are the shortest text that reads back exactly, with
// a point; an absent number is an empty field, never 0 or NaN. Text that a spreadsheet would take
// for a formula (starts with = + - @, TAB or CR) is preceded by an apostrophe.
#pragma once

#include <string>

#include "sequences/record/run.hpp"

namespace nightbench::report {

std::string readings_csv(const record::Run& run);

}  // namespace nightbench::report
