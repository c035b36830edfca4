// The steps that a person takes part in: questions, and measurements whose probes are moved by
// hand. Probes are asked for with the fewest moves, then verified from the signal itself; a probe
// that shows something else is asked for again rather than measured.
//
// What is out of its limits with the probes placed anew is the board's own and is kept; a probe
// that shows nothing is asked for twice more. Skipped measurements are kept as "no reading".
#pragma once

#include <functional>
#include <string>
#include <vector>

#include "drivers/base/clock.hpp"
#include "drivers/bench/bench.hpp"
#include "sequences/engine/operator.hpp"
#include "sequences/engine/pair.hpp"
#include "sequences/engine/power_gate.hpp"
#include "sequences/engine/probes.hpp"
#include "sequences/record/run.hpp"
#include "sequences/script/plan.hpp"

namespace nightbench::engine {

class HandSteps {
 public:
  // All must outlive this; `person` may be null when nothing is asked and nothing moved by hand.
  HandSteps(const script::Plan& plan, bench::Bench& bench, Operator* person, StageTimes& times);

  // Actions ask, ohms, check and volts: fills the point's readings and notes. RF and LO must stand
  // as intended. Errors: cancelled (the answer stop), unsafe (a trip while a person was asked),
  // and those of the instruments.
  Awaitable<Result<void>> perform(script::Action action, record::Point* point);
  // Whether the scope is not wired to what a pair is measured at.
  bool outputs_need_a_hand(const script::Action& action) const;
  // Before an I/Q pair: brings the probes to the outputs and verifies them where any was moved.
  // Whether the pair is to be measured; false when it was skipped, the readings are then filled.
  Awaitable<Result<bool>> bring_outputs(script::Action action, record::Point* point);

  ProbeKeeper& probes() { return probes_; }
  // Shut while a check before power is open or failed.
  const PowerGate& gate() const { return gate_; }
  // What an earlier part of a resumed run found before power.
  void recall(const record::Point& point);

 private:
  enum class Finding { good, no_contact, off_limits };
  struct Measured {
    std::vector<record::Reading> readings;
    std::vector<std::string> notes;
    Finding finding = Finding::good;
    std::string doubt;
  };
  using Measure = std::function<Awaitable<Result<Measured>>()>;

  Awaitable<Result<void>> ask(script::Action action, record::Point* point);
  Awaitable<Result<void>> ohms(script::Action action, record::Point* point);
  Awaitable<Result<void>> check(script::Action action, record::Point* point);
  Awaitable<Result<void>> volts(script::Action action, record::Point* point);
  // Places, measures and asks again; false when skipped.
  Awaitable<Result<bool>> verified(Placing placing, bool verify, const Measure* measure,
                                   record::Point* point);
  Awaitable<Result<Measured>> see_ohms(const script::ResistanceCheck* check);
  Awaitable<Result<Measured>> see_pair(const script::PairCheck* check, script::Intent intent);
  Awaitable<Result<Measured>> see_volts(std::string test_point);
  Awaitable<Result<Measured>> see_outputs(script::Action action);
  Awaitable<Result<void>> quiet();
  std::vector<std::string> points_after(const script::Action& action, instrument::Role role) const;
  std::vector<std::string> points_of(const script::Action& action, instrument::Role role) const;
  std::string doubt_of_volts(const record::Reading& reading) const;

  const script::Plan& plan_;
  const script::BoardType& type_;
  bench::Bench& bench_;
  Operator* person_;
  ProbeKeeper probes_;
  PairMeter outputs_;
  PowerGate gate_;
  bool quiet_ = false;  // supply, RF and LO have been switched off before ohms
};

}  // namespace nightbench::engine
