// Where each hand-held probe is, and the fewest moves to where it has to be.
#pragma once

#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "drivers/base/clock.hpp"
#include "drivers/bench/bench.hpp"
#include "sequences/engine/operator.hpp"
#include "sequences/script/board_type.hpp"

namespace nightbench::engine {

struct Probe {
  std::string port;
  std::string at;  // test point; "" when nowhere or not known
};

struct Move {
  std::string port;
  std::string to;
  bool operator==(const Move&) const = default;
};

// The fewest moves that put a probe on each of `wanted` (any probe may serve any of them). Of
// several probes that could go, the one whose place is needed latest in `later` (or never) goes
// (Belady, IBM Systems Journal 5(2), 1966: the choice with the fewest replacements). Fewer probes
// than places: nothing. Pure.
std::optional<std::vector<Move>> fewest_moves(const std::vector<Probe>& probes,
                                              const std::vector<std::string>& wanted,
                                              const std::vector<std::string>& later);

// Asks while the supply is watched: a trip withdraws the question and is ErrorKind::unsafe. With
// the supply off (or none) it only asks.
Awaitable<Result<Reply>> ask_watched(bench::Bench& bench, Operator& person, Prompt prompt);

// What a measurement needs of the probes, and how to speak of it.
struct Placing {
  instrument::Role role = instrument::Role::scope;
  std::string id;     // of the measurement, for the prompt
  std::string title;  // of the measurement
  std::vector<std::string> points;  // for a meter: red tip, black tip
  bool fixed_order = false;         // points[k] belongs to probe k
  std::vector<std::string> later;   // test points that come after, nearest first
  bool powered = false;
};

struct Placed {
  bool skipped = false;
  int moves = 0;
  std::vector<std::string> remarks;
};

class ProbeKeeper {
 public:
  // `person` may be null on a bench where nothing is moved by hand.
  ProbeKeeper(bench::Bench& bench, const script::BoardType& type, Operator* person);

  // Whether any of the points is reached by hand.
  bool by_hand(instrument::Role role, const std::vector<std::string>& points) const;
  // Asks for the moves that are needed, none when all is in place. `doubt` says why the probes are
  // asked for again; they are then all taken for lost. Errors: cancelled (the answer stop, or
  // withdrawn), unsafe (trip), bad_input (no person, or too few probes).
  Awaitable<Result<Placed>> place(Placing placing, std::string doubt);
  // Puts each of `ports` on the place of the same position in placing.points, ports that the bench
  // file wires to another place included. Errors as of place().
  Awaitable<Result<Placed>> gather(Placing placing, std::vector<std::string> ports,
                                   std::string doubt);

 private:
  using Way = std::function<Result<std::vector<Move>>()>;  // the moves that are still needed
  Awaitable<Result<Placed>> walk(Placing placing, std::string doubt, std::vector<Probe>* probes,
                                 Way way);
  std::vector<Probe>& probes_of(instrument::Role role);
  std::vector<std::string> by_hand_points(const Placing& placing) const;
  Result<std::vector<Move>> moves_for(const Placing& placing);
  Prompt prompt_for(const Placing& placing, const Move& move, const std::string& doubt) const;

  bench::Bench& bench_;
  const script::BoardType& type_;
  Operator* person_;
  std::vector<Probe> scope_, meter_;
  std::vector<Probe> wired_;  // scope ports taken from where they belong
};

}  // namespace nightbench::engine
