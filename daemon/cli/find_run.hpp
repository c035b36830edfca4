// Runs by the names that people have for them.
#pragma once

#include <string>

#include "daemon/store/sqlite_journal.hpp"
#include "drivers/base/error.hpp"
#include "sequences/record/run.hpp"

namespace nightbench::cli {

// The id of a run: itself, a board's serial number (its latest run), or "latest". bad_input with the
// nearest name.
Result<std::string> find_run(store::SqliteJournal& journal, const std::string& text);

// The run from the store in `folder`, or from a results file when `text` is the path of one.
Result<record::Run> load_run(const std::string& folder, const std::string& text);

}  // namespace nightbench::cli
