// The drift watch: one point of a sweep is measured again from time to time, and what its readings
// do through the run becomes part of the uncertainty of the points after it. Pure but for the
// instants it is given.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <vector>

#include "drivers/base/clock.hpp"
#include "drivers/bench/bench_file.hpp"
#include "sequences/reading/reading.hpp"
#include "sequences/record/run.hpp"
#include "sequences/script/plan.hpp"

namespace nightbench::engine {

// Experimental standard deviations (GUM 4.2.2) of repeats, by quantity of the record, in its unit.
using Spread = std::map<std::string, double>;

// Adds 2 s to U in squares, for each quantity that has a spread; an interval grows by as much as U.
// The decision is not taken anew.
void widen(reading::Outcome& outcome, const std::string& quantity, const Spread& spread);

class DriftWatch {
 public:
  explicit DriftWatch(const bench::DriftSettings& settings) : settings_(settings) {}

  // The first good pair of a run is the reference; later calls are ignored.
  void offer(const script::Action& action, const std::vector<record::Reading>& readings,
             TimePoint now);
  // The reference to measure now, when it is time.
  std::optional<script::Action> due(TimePoint now) const;
  // A repeat was tried at `now`; it is due again one interval later.
  void tried(TimePoint now) { last_ = now; }

  struct Look {
    std::string text;                   // the changes against the reference
    std::vector<std::string> findings;  // changes beyond the limit
  };
  Look take(const std::vector<record::Reading>& readings);
  // What is known by now; empty before the first repeat.
  const Spread& spread() const { return spread_; }

 private:
  struct Kept {
    double value = 0, expanded_u = 0;
    std::vector<double> repeats;  // the reference first
  };
  const bench::DriftSettings& settings_;
  std::optional<script::Action> action_;
  TimePoint last_{};
  std::map<std::string, Kept> kept_;
  Spread spread_;
};

}  // namespace nightbench::engine
