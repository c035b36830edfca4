// What an earlier part of a run has left in the journal, as far as carrying on needs it, and
// whether bench and board are still the same. Holds one bit a point, however long the run.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "drivers/bench/bench.hpp"
#include "sequences/record/run.hpp"
#include "sequences/script/plan.hpp"

namespace nightbench::engine {

class Kept {
 public:
  explicit Kept(record::Header header) : header_(std::move(header)) {}
  // Every point of the run, in any order.
  void take(const record::Point& point);

  const record::Header& header() const { return header_; }
  bool has(std::uint64_t ordinal) const;
  std::uint64_t points() const { return points_; }
  // The latest of their kind: the supply's readings when it came on, a pair with readings.
  const std::optional<record::Point>& power() const { return power_; }
  const std::optional<record::Point>& pair() const { return pair_; }
  // Questions and resistances, which keep power off when they were not passed.
  const std::vector<record::Point>& checks() const { return checks_; }
  std::optional<WallTime> last_finished() const { return last_finished_; }

 private:
  record::Header header_;
  std::vector<bool> has_;
  std::uint64_t points_ = 0;
  std::optional<record::Point> power_, pair_;
  std::vector<record::Point> checks_;
  std::optional<WallTime> last_finished_;
};

// Everything of a run that is in memory.
Kept kept_of(const record::Run& run);

// The same script, board type and instruments as when the run began. Errors: bad_input that says
// what differs.
Result<void> same_bench(const record::Header& header, const script::Plan& plan,
                        bench::Bench& bench);

// Readings of the same thing, one after the other: every quantity of `quantities` that both have
// must agree within the root of the sum of squares of both U. Gives what does not, "" when all do.
std::string disagreement(const std::vector<record::Reading>& before,
                         const std::vector<record::Reading>& now,
                         const std::vector<std::string>& quantities);

}  // namespace nightbench::engine
