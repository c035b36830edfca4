// The measured match of the scope's two channels with their probes, kept beside the bench file as
// `<bench file's stem>.match.json`: what the second channel shows over the first when both see one
// node. Written by a `match` step, used by every later run whose bench still has the same scope.
// Schema: docs/reference/schema/match.schema.json.
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/base/clock.hpp"
#include "drivers/base/error.hpp"
#include "drivers/base/json.hpp"

namespace nightbench::bench {

// At one frequency and vertical range. U are expanded (k = 2).
struct MatchRow {
  double if_hz = 0;
  double full_scale_v = 0;   // of both channels, peak to peak
  double gain_ratio_db = 0;  // second over first
  double u_gain_ratio_db = 0;
  double phase_deg = 0;      // second less first
  double u_phase_deg = 0;
};

struct MatchFile {
  std::string bench;   // its name
  std::string scope;   // its whole *IDN? answer
  std::string first, second;  // ports: "scope/1", "scope/2"
  std::string run;     // that measured it
  WallTime measured;
  std::vector<MatchRow> rows;  // by frequency, rising; one frequency may stand with several ranges
};

// Where the match of a bench is kept.
std::filesystem::path match_path(const std::filesystem::path& bench_file);

// Strict. Errors: bad_input with file and pointer.
Result<MatchFile> decode_match(const json::Node& node);
// Nothing when there is no such file.
Result<std::optional<MatchFile>> read_match(const std::filesystem::path& file);

// Rows by frequency, then range; of two at one place the later one stays.
MatchFile in_order(MatchFile match);

// The file's text, the same bytes for the same match. Rows must be in order.
std::string match_text(const MatchFile& match);

// Between the measured frequencies values are taken along log f; outside of half the lowest and
// twice the highest nothing is known. Rows whose range is within 20 % of `full_scale_v` go first;
// where there are none the nearest range is taken and `other_range` set.
struct MatchSeen {
  double gain_ratio_db = 0, u_gain_ratio_db = 0;  // U, k = 2
  double phase_deg = 0, u_phase_deg = 0;
  bool other_range = false;
};
std::optional<MatchSeen> match_at(const MatchFile& match, double if_hz, double full_scale_v);

}  // namespace nightbench::bench
