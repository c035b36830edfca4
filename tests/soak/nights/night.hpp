// One night as it was drawn, run and looked at.
#pragma once

#include <string>

#include "tests/soak/nights/checks.hpp"
#include "tests/soak/nights/night_plan.hpp"
#include "tests/soak/nights/sabotage.hpp"

namespace nightbench::testing {

struct NightOutcome {
  Tally tally;
  Findings findings;        // what is not as it must be; empty is good
  std::string fingerprint;  // SHA-256 over queue and results, byte for byte
  std::string story;        // a line for everything that happened, for who replays it
};

// Uses `folder` for its database and reports; it must be empty. Throws std::runtime_error when the
// plan itself is wrong.
NightOutcome run_night(const NightPlan& plan, Sabotage sabotage, const std::string& folder);

}  // namespace nightbench::testing
