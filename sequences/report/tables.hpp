// Plain text for the terminal: no colour, no control characters, lines of at most `width` columns.
#pragma once

#include <string>
#include <vector>

#include "sequences/record/run.hpp"

namespace nightbench::report {

// The table that closes a run: board, verdict and its reasons, the worst reading of each quantity
// with U, limit, decision and where it was, then what is missing. Ends in a newline.
std::string closing_table(const record::Run& run, int width = 80);

// Any table: columns as wide as their content, the widest text column wrapped to keep to `width`.
// `right` marks columns that are set flush right (numbers). UTF-8 counts by code point.
struct Column {
  std::string title;
  bool right = false;
};
std::string text_table(const std::vector<Column>& columns,
                       const std::vector<std::vector<std::string>>& rows, int width = 80);

}  // namespace nightbench::report
