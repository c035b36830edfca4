// How long a run still takes: what each class of action took so far, over those that are left.
//
// A class is a step with one duration by the model (settling times and records), so that a sweep over
// the IF is many classes and a sweep over the RF is one. A class that was not met yet is expected
// to take what the model says and the overhead of its kind. Long plans are looked at in samples.
#pragma once

#include <cstdint>
#include <map>
#include <string>
#include <utility>
#include <vector>

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

  // Action `n` of the plan was done `elapsed_s` after the run began, or was found done when a run
  // is resumed (`measured` false: no time passed). In the order of the plan.
  void done(std::uint64_t n, const script::Action& action, bool measured, double elapsed_s);
  // Seconds still to go `elapsed_s` after the run began; negative: not known yet.
  double left_s(double elapsed_s) const;

 private:
  using Key = std::pair<std::string, std::int64_t>;  // step and the model's microseconds
  struct Class {
    script::ActionKind kind{};
    double model_s = 0;
    std::uint64_t left = 0;  // samples of the plan that are still to come
    std::uint64_t seen = 0;
    double spent_s = 0;
    double first_s = 0;     // of these, the first
  };
  Key key_of(const script::Action& action) const;
  static double mean_s(const Class& one);
  Class& class_of(const script::Action& action);
  double overhead_s(script::ActionKind kind) const;

  const script::Plan& plan_;
  const bench::BenchFile& file_;
  std::map<Key, Class> classes_;
  std::vector<std::pair<std::uint64_t, Class*>> samples_;  // actions of the plan, ascending
  std::size_t next_ = 0;      // the first sample still to come
  double actions_a_sample_ = 1;
  double before_s_ = 0;       // elapsed when the last action was done
  std::uint64_t points_ = 0;
};

}  // namespace nightbench::engine
