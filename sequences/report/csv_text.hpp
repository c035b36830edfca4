// Fields and lines of CSV files (RFC 4180), fit for spreadsheets. Pure.
#pragma once

#include <optional>
#include <string>
#include <vector>

namespace nightbench::report {

// Text as one field: control bytes made visible, quoted where it must be (RFC 4180, section 2). Text
// that a spreadsheet would take for a formula (starts with = + - @, TAB or CR) is preceded by an
// apostrophe.
std::string csv_field(const std::string& raw);

// The shortest text that reads back exactly; empty for an absent or non-finite number.
std::string csv_number(const std::optional<double>& value);

// Fields, which must be ready, with commas between and CR LF at the end.
std::string csv_line(const std::vector<std::string>& fields);

}  // namespace nightbench::report
