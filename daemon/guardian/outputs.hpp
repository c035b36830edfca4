// Switching a bench off over links of one's own: RF source, LO source and supply, each connected to
// at the moment it is needed and left again at once, so that an instrument that takes one connection
// only is free for the daemon the rest of the time.
//
// All are worked at side by side: one that hangs does not keep the supply on. On the clock's
// io_context thread.
#pragma once

#include <filesystem>
#include <functional>
#include <map>
#include <string>
#include <vector>

#include "drivers/bench/bench.hpp"

namespace nightbench::guardian {

struct Outputs {
  bench::BenchFile file;  // of the bench; only what drives something is touched
  std::filesystem::path dialects;
  std::map<std::string, std::string> resources;  // over those of the file

  // The instruments that can put power or signal on the board.
  std::vector<bench::InstrumentEntry> driving() const;
};

// Connects, identifies, switches off, reads back that it is off, and closes. Errors: the
// instrument's.
Awaitable<Result<void>> switch_off(const Outputs& outputs, bench::InstrumentEntry entry,
                                   Clock& clock, bench::LinkMaker links);

// Is told about every instrument that was switched off (no error) and every try that failed.
using Report = std::function<void(const std::string& instrument, const Error* error)>;

// Each instrument again and again, with pauses that double up to 5 s, until it is off or a try that
// began after `until` has failed; at least one try. Returns those that may still be on.
Awaitable<std::vector<bench::NotSafe>> switch_all_off(const Outputs& outputs, Clock& clock,
                                                      bench::LinkMaker links, TimePoint until,
                                                      Report report);

}  // namespace nightbench::guardian
