// Times as text: ISO 8601, UTC, with nine decimals, and back. Pure; independent of the locale.
#pragma once

#include <string>
#include <string_view>

#include "drivers/base/clock.hpp"
#include "drivers/base/error.hpp"

namespace nightbench {

// "2026-11-25T03:04:05.123456789Z".
std::string exact_time(WallTime time);

// Any number of decimals up to nine, 'Z' needed. Errors: bad_input that shows the form and the text.
Result<WallTime> time_from(std::string_view text);

}  // namespace nightbench
