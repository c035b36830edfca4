// The values an axis of a sweep takes.
#pragma once

#include "drivers/base/json.hpp"
#include "sequences/script/script.hpp"

namespace nightbench::script {

// Decodes one axis: {"axis": "rf", "from": "10.1 MHz", "to": "10.15 MHz", "points": 51}, the same
// with "step" instead of "points" or with "spacing": "log", or {"axis": "offset", "list": [...]}.
// Both ends are always included; at most a million values.
Result<Range> decode_range(const json::Node& node);

}  // namespace nightbench::script
