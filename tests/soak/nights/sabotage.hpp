// Daemons that are broken on purpose, so that it is known what the soak catches.
#pragma once

#include <cstdint>
#include <memory>
#include <optional>
#include <string>

#include "sequences/engine/engine.hpp"
#include "sequences/record/journal.hpp"

namespace nightbench::testing {

enum class Sabotage : std::uint8_t {
  none,
  late_journal,  // a point is written when the next one is, not before it is begun
  no_settings,   // after trouble the settings are not given again, and nobody looks
  no_guardian,   // nobody switches off when the daemon is killed
};

// "none", "late-journal", ...
const char* word(Sabotage what);
std::optional<Sabotage> sabotage_of(const std::string& text);

// `inner` must outlive it.
std::unique_ptr<record::Journal> late_journal(record::Journal& inner);

engine::StateKeeping careless_state();

}  // namespace nightbench::testing
