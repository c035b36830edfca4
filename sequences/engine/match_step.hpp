// The `match` step: both scope probes on one node, where a person puts them, and what the second
// channel then shows over the first.
#pragma once

#include <array>
#include <optional>
#include <string>

#include "drivers/bench/bench.hpp"
#include "sequences/engine/pair.hpp"
#include "sequences/engine/probes.hpp"
#include "sequences/record/run.hpp"

namespace nightbench::engine {

// The two scope ports that a match compares: those wired to the I and Q outputs, else the first two
// that are moved by hand. Nothing when there are no two.
std::optional<std::array<bench::Connection, 2>> matched_ports(const bench::BenchFile& file,
                                                              const script::BoardType& type);

class MatchMeter {
 public:
  // All must outlive this.
  MatchMeter(const script::Plan& plan, bench::Bench& bench, PairMeter& captures,
             ProbeKeeper& probes);

  // Brings both probes to the action's node and measures; the point gets the readings "match_gain"
  // and "match_phase". Probes that do not see one node are asked for again, twice at most. RF and
  // LO must stand. Errors: cancelled (the answer stop), unsafe (a trip meanwhile), and the scope's.
  Awaitable<Result<void>> measure(script::Action action, record::Point* point);
  // After the last of a row of matches: has wired probes put back where the bench file says.
  Awaitable<Result<void>> put_back(bool powered);
  // What was measured since the last take(); nothing when no place gave a reading.
  std::optional<bench::MatchFile> take(const std::string& run_id);

 private:
  Awaitable<Result<bool>> bring(const script::Action& action, std::string doubt,
                                record::Point* point);

  const script::Plan& plan_;
  bench::Bench& bench_;
  PairMeter& captures_;
  ProbeKeeper& probes_;
  std::vector<bench::MatchRow> rows_;
};

}  // namespace nightbench::engine
