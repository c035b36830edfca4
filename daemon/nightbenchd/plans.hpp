// Scripts and board types for queue entries: by name from the library, or from the text that came
// with the entry. A name is one of the library's, never a path.
#pragma once

#include "daemon/http/api.hpp"
#include "daemon/store/sqlite_queue.hpp"
#include "drivers/bench/bench_file.hpp"
#include "sequences/script/plan.hpp"

namespace nightbench::daemon {

// Errors: bad_input.
Result<script::Plan> make_plan(const store::Entry& entry, const bench::BenchFile& bench);

// What the library holds; files that do not decode are left out.
Result<http::Library> library();

}  // namespace nightbench::daemon
