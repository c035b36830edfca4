// Samples as text: one line a sample, columns I and Q in volts, and optionally the time.
//
// Separator: comma, semicolon or TAB, whichever the first line has (in this order of search:
// semicolon, TAB, comma). With semicolons a decimal comma is understood. Lines that are empty or
// start with '#' are passed over. A first line that is no number names the columns: "time" or "t",
// "I", "Q", in any order, with an optional unit: "I (mV)", "time [us]"; other names are refused. A
// line of units alone may follow ("us,mV,mV"). Without names: I, Q and, where there is a third
// column, the time in seconds. Times must advance evenly (to a quarter of their step).
#pragma once

#include <filesystem>
#include <string>
#include <string_view>

#include "drivers/base/error.hpp"
#include "sequences/capture/capture.hpp"

namespace nightbench::capture {

Result<Capture> parse_csv(std::string_view text, std::string name, const ReadOptions& options = {});
Result<Capture> read_csv(const std::filesystem::path& path, const ReadOptions& options = {});

}  // namespace nightbench::capture
