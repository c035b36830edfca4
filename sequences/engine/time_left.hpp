// How long a run still takes, from what its actions should take and what they did take.
#pragma once

#include <cstdint>

#include "drivers/bench/bench_file.hpp"
#include "sequences/script/plan.hpp"

namespace nightbench::engine {

// Seconds one action takes by settling times and record alone, before overheads; 0 for those that
// take as long as a person does.
double action_seconds(const script::Action& action, const script::BoardType& type,
                      const bench::BenchFile& file);

class TimeLeft {
 public:
  TimeLeft(const script::Plan& plan, const bench::BenchFile& file);

  // An action was done, or was found done when a run is resumed (`measured` false: no time passed).
  void done(const script::Action& action, bool measured);
  // Seconds still to go after `elapsed_s` of work on what was done; negative: not known yet.
  double left_s(double elapsed_s) const;

 private:
  double weight(const script::Action& action) const;
  const script::Plan& plan_;
  const bench::BenchFile& file_;
  double total_ = 0;   // of all actions, in model seconds
  double passed_ = 0;  // behind us, found or done
  double worked_ = 0;  // of those the ones done in this part of the run
  std::uint64_t points_ = 0;
};

}  // namespace nightbench::engine
