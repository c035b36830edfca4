// The trouble policy: what is done when an instrument hangs, drops, resets or lies.
//
// The instrument is connected anew, identified and set up; the whole intended state is given again;
// the point is measured anew, after waits that double. When the tries of a point are used up, or
// the instrument stays away longer than patience allows, the point is "no reading" and the run goes
// on. An instrument that stays away for long is taken for lost: points that need it are not waited
// for, and it is looked for again from time to time. Trouble that touches safety stops the board: a
// trip, a supply out of reach or out of step while the board is under power, a supply that had to
// be switched on again too often.
#pragma once

#include <functional>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "drivers/base/clock.hpp"
#include "drivers/bench/bench.hpp"
#include "sequences/record/run.hpp"
#include "sequences/script/plan.hpp"

namespace nightbench::engine {

enum class Treatment : std::uint8_t {
  again,    // restore(), then the same action
  give_up,  // the point is "no reading"
  stop,     // the board ends here
};

// Roles whose instruments an action makes use of.
std::vector<instrument::Role> roles_of(const script::Action& action);

class Recovery {
 public:
  // engine::establish, or what a test puts in its place.
  using Establish = std::function<Awaitable<Result<TimePoint>>(
      bench::Bench&, const script::BoardType&, script::Intent, bool* restored)>;
  // Says what is being done, for the record.
  using Say = std::function<Result<void>(record::Severity, std::string id, std::string text)>;
  // Waits; an error (cancelled) when the run is to stop.
  using Wait = std::function<Awaitable<Result<void>>(TimePoint)>;

  Recovery(bench::Bench& bench, const script::BoardType& type, Establish establish, Say say,
           Wait wait);

  // After `attempt` tries of an action that ended in `error`.
  Treatment treat(const Error& error, int attempt) const;

  // Waits, reconnects and identifies what failed and what does not answer, and establishes
  // `intent`. Errors: cancelled, unsafe (stop the board), storage; any other: the point is to be
  // given up.
  Awaitable<Result<void>> restore(Error error, int attempt, script::Intent intent);

  // establish(), counting how often the supply had to be switched on. unsafe when too often.
  Awaitable<Result<TimePoint>> stand_up(script::Intent intent);

  // Why an action need not be tried: an instrument of one of `roles` is lost and it is not time to
  // look for it. Nothing when it is to be tried.
  std::optional<Error> lost(const std::vector<instrument::Role>& roles) const;
  // An action with these roles went well.
  void went_well(const std::vector<instrument::Role>& roles);

 private:
  struct Away {
    TimePoint since;
    TimePoint look_at;  // not before this is it tried again, once it is lost
    Error last;
    bool lost = false;
  };
  instrument::Instrument* find(const std::string& name);
  Awaitable<Result<void>> bring_back(instrument::Instrument* one, script::Intent intent);
  std::unexpected<Error> given_up(instrument::Instrument& one, Error last, script::Intent intent);

  bench::Bench& bench_;
  const script::BoardType& type_;
  const bench::TroubleSettings& settings_;
  Establish establish_;
  Say say_;
  Wait wait_;
  std::map<std::string, Away> away_;
  int restored_supply_ = 0;
};

}  // namespace nightbench::engine
