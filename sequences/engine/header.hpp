// The header of a run's record, gathered from plan and open bench.
#pragma once

#include <string>

#include "drivers/bench/bench.hpp"
#include "sequences/record/run.hpp"
#include "sequences/script/plan.hpp"

namespace nightbench::engine {

struct RunIdentity {
  std::string board;            // serial number
  std::string person;           // operator, "" when not stated
  std::string program_version;
};

// Identities come from the instruments as they answered when the bench was opened. The run id is
// sortable by time and unique: "20261125T030405Z-H30-007-1a2b3c", its tail from the hash of all
// that identifies the run and from the nanoseconds of its start.
record::Header make_header(const script::Plan& plan, bench::Bench& bench,
                           const RunIdentity& identity);

// SHA-256 (FIPS 180-4) as lower-case hex.
std::string sha256_hex(std::string_view bytes);

}  // namespace nightbench::engine
