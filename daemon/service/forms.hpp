// What the service shows, as JSON (docs/reference/service.md): pure functions.
#pragma once

#include <nlohmann/json_fwd.hpp>
#include <string>

#include "daemon/service/remote_operator.hpp"
#include "daemon/store/sqlite_queue.hpp"
#include "drivers/base/json.hpp"
#include "drivers/bench/bench.hpp"
#include "sequences/engine/observer.hpp"
#include "sequences/script/board_type.hpp"

namespace nightbench::service {

nlohmann::ordered_json json_of(const store::Entry& entry);
nlohmann::ordered_json json_of(const OpenQuestion& question);
nlohmann::ordered_json json_of(const engine::Progress& progress);
nlohmann::ordered_json json_of(const store::RunSummary& run);
nlohmann::ordered_json json_of(const Error& error);
// Instruments of the file, with what they answered when `open` is given.
nlohmann::ordered_json json_of(const bench::BenchFile& file, bench::Bench* open);
// Outline, parts, test points and limits: what a locator drawing and a chart need.
nlohmann::ordered_json json_of(const script::BoardType& type);

// An entry from {"board", "script", ...}, read strictly. Texts are at most 100 characters, files at
// most 1 MiB. Errors: bad_input with the JSON pointer.
Result<store::Entry> entry_from(const json::Node& node);

}  // namespace nightbench::service
