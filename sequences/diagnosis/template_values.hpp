// Entries of the fault book that stand for several faults: "$name" is replaced by the value that a
// row of "each" gives it. Pure.
#pragma once

#include <nlohmann/json_fwd.hpp>
#include <string>

#include "drivers/base/error.hpp"

namespace nightbench::diagnosis {

// `entry` with every text that is exactly "$name" replaced by the row's value, of whatever kind, and
// every "${name}" inside a text by the value's text. Errors: bad_input with the name that the row
// does not have.
Result<nlohmann::json> put_in(const nlohmann::json& entry, const nlohmann::json& row);

}  // namespace nightbench::diagnosis
