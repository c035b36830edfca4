// The engine: runs a plan on a bench, point by point, and leaves the bench safe whatever happens.
//
// The analysis of point n runs on the analyst while the sources settle and the scope captures for
// point n + 1; as soon as it is finished, and before the analysis of n + 1 begins, point n is in the
// journal. On any end (done, failed,
// interrupted) RF, LO and supply are switched off and what could not be is an event of severity
// trouble. One run at a time, on the clock's io_context thread.
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "drivers/base/clock.hpp"
#include "drivers/bench/bench.hpp"
#include "sequences/engine/analyst.hpp"
#include "sequences/engine/drift_watch.hpp"
#include "sequences/engine/hand_steps.hpp"
#include "sequences/engine/match_step.hpp"
#include "sequences/engine/observer.hpp"
#include "sequences/engine/operator.hpp"
#include "sequences/engine/pair.hpp"
#include "sequences/engine/recovery.hpp"
#include "sequences/engine/resume.hpp"
#include "sequences/engine/stage_times.hpp"
#include "sequences/engine/time_left.hpp"
#include "sequences/record/journal.hpp"
#include "sequences/script/plan.hpp"

namespace nightbench::engine {

// Is given every capture of a pair before its analysis, to keep it. Returns a note for the record
// (the file's name), or "" when it was not kept. An error ends the run.
using CaptureKeeper =
    std::function<Result<std::string>(const script::Action& action, const PairCapture& capture)>;

// Is given a channel match that was measured, to keep it beside the bench file.
using MatchKeeper = std::function<Result<void>(const bench::MatchFile& match)>;

// How the engine knows and restores what the instruments are doing. Tests put faulty ones in place.
struct StateKeeping {
  Recovery::Establish establish;  // empty: engine::establish
  std::function<Awaitable<Result<void>>(bench::Bench&, const script::BoardType&, script::Intent,
                                        bool supply_too)>
      verify;  // empty: engine::verify
};

// Decides, once the board is under power, which of the measurements that are left comes next.
struct Choice {
  std::optional<std::string> check;  // one of `open`; none: enough is known
  std::string why;                   // for the record
};
// `open` names what is left: resistances, pairs and DC test points by their ids, "outputs" for I and Q,
// questions by theirs. Must not throw.
using Chooser = std::function<Choice(const record::Run& so_far, const std::vector<std::string>& open,
                                     bool powered)>;

struct Settings {
  std::uint64_t excerpts = 8;    // about as many points keep a stretch of their capture
  CaptureKeeper keep_capture;    // empty: captures are not kept
  MatchKeeper keep_match;        // empty: a match serves this run only
  StateKeeping state;
  Chooser chooser;               // empty: in the plan's order, to its end
  Operator* person = nullptr;    // who answers and moves probes; must outlive the engine
};

struct Ending {
  record::Outcome outcome = record::Outcome::unfinished;
  std::string text;             // why, when it is not complete
  std::optional<Error> error;   // what let us down, when something did
  bool all_off = false;         // every output was switched off at the end
  StageTimes times;
  Duration took{};
};

// The instruments a plan needs, by role.
std::vector<instrument::Role> roles_needed(const script::Plan& plan);

// Checks that the bench file can serve the plan: roles, wiring, safe limits. Nothing is opened.
Result<void> check_wiring(const script::Plan& plan, const bench::BenchFile& file);

// Whether the plan asks questions, or measures where a probe has to be moved by hand.
bool needs_person(const script::Plan& plan, const bench::BenchFile& file);

// Seconds that a run takes by the settling times and records alone, before overheads.
double estimate_seconds(const script::Plan& plan, const bench::BenchFile& file);

class Engine {
 public:
  // All must outlive the engine. `observer` may be null.
  Engine(const script::Plan& plan, bench::Bench& bench, record::Journal& journal, Analyst& analyst,
         Observer* observer, Settings settings = {});

  // Runs the whole plan. Never fails as such: how it went is in the Ending. Only a journal that
  // cannot be begun or closed is an error; the bench is safe then too.
  Awaitable<Result<Ending>> run(record::Header header);

  // Carries on with a run that the journal has a part of: after a check that bench and board are
  // still the same (identities, supply current, the last good pair measured again within U), from
  // the first point that is missing. When they are not the same, the Ending is `interrupted` with
  // the error, and nothing more is kept. Errors as of run().
  Awaitable<Result<Ending>> resume(Kept kept);

  // Asks the run to end after the operation under way; waits are cut short. From the same thread.
  void request_stop();

 private:
  Awaitable<Result<Ending>> go();
  Awaitable<std::optional<Error>> walk();
  // From `first` on in the order of the chooser (engine_search.cpp).
  Awaitable<Result<void>> search(std::uint64_t first, script::Intent intent);
  Awaitable<Result<bool>> power_for_search(script::Intent intent);
  Awaitable<Result<void>> come_back(std::uint64_t first);
  Awaitable<Result<void>> same_board(script::Action action);
  // One action with all that the trouble policy grants it.
  Awaitable<Result<void>> carry_out(script::Action action);
  Result<void> give_up(const script::Action& action, const Error& error);
  Awaitable<Result<void>> perform(script::Action action);
  Awaitable<Result<void>> power(script::Action action);
  Awaitable<Result<void>> by_hand(script::Action action);
  Awaitable<Result<void>> pair(script::Action action);
  Awaitable<Result<void>> match(script::Action action);
  bool matches_after(const script::Action& action) const;
  Awaitable<Result<std::shared_ptr<const PairCapture>>> capture(script::Action action);
  // Whether the bench was driven elsewhere meanwhile, to measure the point again.
  Awaitable<Result<bool>> settle_pending();
  Awaitable<Result<void>> finish_pending();
  Awaitable<Result<PairAnalysis>> measure_again(script::Action action, bool anew);
  Awaitable<Result<void>> watch_drift();
  Awaitable<Result<void>> check_state(script::Intent intent, bool supply_too);
  Pending<PairAnalysis> analyse(const script::Action& action,
                                const std::shared_ptr<const PairCapture>& capture);
  Awaitable<PairAnalysis> await_analysis(Pending<PairAnalysis>& pending);
  Awaitable<Result<void>> settle(TimePoint settled);
  Awaitable<Result<void>> wait_until(TimePoint when);
  Awaitable<bool> make_safe();  // whether everything is off

  record::Point begin_point(const script::Action& action) const;
  Result<void> keep(record::Point point);
  Result<void> note(record::Severity severity, std::string id, std::string text);
  Progress progress() const;
  double elapsed_s() const { return seconds(clock_.now() - began_); }

  struct PendingPair {
    script::Action action;
    record::Point point;
    Pending<PairAnalysis> analysis;
  };

  const script::Plan& plan_;
  bench::Bench& bench_;
  record::Journal& journal_;
  Analyst& analyst_;
  Observer* observer_;
  Settings settings_;
  Clock& clock_;

  std::string run_id_;
  StageTimes times_;
  PairMeter pairs_;
  HandSteps hand_;
  MatchMeter match_;
  Recovery recovery_;
  DriftWatch drift_;
  TimeLeft time_left_;
  std::optional<Kept> kept_;  // of the run that is being resumed
  TimePoint supply_looked_{};
  std::optional<PendingPair> pending_;
  bool measured_twice_ = false;  // the last pair
  std::optional<boost::asio::steady_timer> waiting_;  // set while a wait may be cut short
  bool stop_ = false;
  int attempt_ = 1;
  std::uint64_t done_ = 0;
  TimePoint began_{};
};

}  // namespace nightbench::engine
