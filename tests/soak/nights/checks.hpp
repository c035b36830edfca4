// What must be true of a night, whatever happened in it.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "daemon/store/sqlite_queue.hpp"
#include "mock_instruments/server/simulated_bench.hpp"
#include "sequences/record/run.hpp"
#include "tests/soak/nights/tally.hpp"

namespace nightbench::testing {

using Findings = std::vector<std::string>;

// Every planned point exactly once, as far as the run says that it is complete; the entry has an end
// and, when it is not "done", a reason.
void check_entry(const store::Entry& entry, const record::Run& run, Tally& tally,
                 Findings& findings);

// Every reading within 3 U of what ideal instruments would read, or no reading. Puts the board in
// place; the instruments must be off.
void check_truth(const record::Run& run, mock::server::SimulatedBench& simulation, Tally& tally,
                 Findings& findings);

// Whether a point has its readings: a pair its tone, anything else a value.
bool is_read(const record::Point& point);
// Points that have not.
std::uint64_t unread_points(const record::Run& run);

}  // namespace nightbench::testing
