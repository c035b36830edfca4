// Whether an *IDN? answer fits a regular expression (ECMAScript, searched anywhere, letter case
// counts).
#pragma once

#include <string>
#include <string_view>

#include "drivers/base/error.hpp"

namespace nightbench::instrument {

// Only the first 256 bytes of `identity` are looked at; a wrong pattern fits nothing.
bool identity_matches(std::string_view identity, const std::string& pattern);
// Errors: bad_input with what is wrong with the pattern.
Result<void> check_identity_pattern(const std::string& pattern);

}  // namespace nightbench::instrument
