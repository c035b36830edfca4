// The files a run is made from, read and checked against each other before any instrument is
// touched.
#pragma once

#include <filesystem>
#include <map>
#include <string>
#include <vector>

#include "drivers/bench/bench_file.hpp"
#include "sequences/script/plan.hpp"

namespace nightbench::cli {

struct PlanFiles {
  std::string script;                 // path or library name
  std::string board_type;             // path or library name; "" takes the script's
  std::vector<std::string> settings;  // NAME=VALUE
};

// Errors: bad_input with file, pointer and expectation.
Result<script::Plan> read_plan(const PlanFiles& files, const bench::BenchFile& bench);

}  // namespace nightbench::cli
