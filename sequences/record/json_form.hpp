// Runs as JSON: the results file of a run and the bodies of the database. Schema:
// docs/reference/schema/results.schema.json.
//
// Reading back what was written gives the same run, bit for bit in every double and float and to
// the nanosecond in every time, with these exceptions, which no engine of ours writes on purpose:
//   - text that is not UTF-8 comes back with the bytes made visible (record::valid_utf8);
//   - a value that is not finite becomes "no reading" with the reason "not-finite";
//   - an interval end or limit that is not finite becomes absent; U of infinity stays (as null).
// JSON has no NaN or infinity and none is ever written. Times are ISO 8601, UTC, with nine
// decimals (time_text.hpp). Pure functions; errors of the readers are bad_input with file and JSON pointer.
#pragma once

#include <nlohmann/json_fwd.hpp>
#include <string>
#include <string_view>

#include "drivers/base/json.hpp"
#include "sequences/record/run.hpp"

namespace nightbench::record {

inline constexpr int kResultsFormat = 1;  // of the results file

nlohmann::ordered_json json_of(const Reading& reading);
nlohmann::ordered_json json_of(const Point& point);
nlohmann::ordered_json json_of(const Event& event);
nlohmann::ordered_json json_of(const Header& header);
nlohmann::ordered_json json_of(const Run& run);

// `json_of(...)` as text: compact on one line, no trailing newline.
std::string json_text(const Point& point);
std::string json_text(const Event& event);
std::string json_text(const Header& header);
// The results file: indented by two blanks, ends in a newline, the same bytes for the same run.
std::string json_text(const Run& run);

Result<Reading> reading_from(const json::Node& node);
Result<Point> point_from(const json::Node& node);
Result<Event> event_from(const json::Node& node);
Result<Header> header_from(const json::Node& node);
Result<Run> run_from(const json::Node& node);
// Parses a results file; `name` stands for the file in errors.
Result<Run> run_from_text(std::string_view text, std::string name);

// The words of the JSON form: those of `word(...)` in run.hpp.
Result<Decision> decision_from(const json::Node& node);
Result<Outcome> outcome_from(std::string_view text);

}  // namespace nightbench::record
