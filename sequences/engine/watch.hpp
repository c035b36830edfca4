// Watching one value while the board is worked on: a pair or a resistance of the board type or DC
// volts, measured again and again until it stays inside its limits.
//
// The script of a watch ends with the one thing to measure; what comes before it (power, RF, LO) is
// set once. Power comes on after one question about the checks before power; the supply is looked
// at in every round, and a trip ends the watch. On any end everything is switched off. On the
// clock's io_context thread.
#pragma once

#include <boost/asio/steady_timer.hpp>
#include <deque>
#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "drivers/base/clock.hpp"
#include "drivers/bench/bench.hpp"
#include "sequences/engine/operator.hpp"
#include "sequences/record/run.hpp"
#include "sequences/script/plan.hpp"

namespace nightbench::engine {

enum class Heading : std::uint8_t { steady, rising, falling };

// What a person hears and sees of a row of values. Pure.
class Trend {
 public:
  // Takes the next reading. Whether it has changed enough for a tick: by more than a fiftieth of
  // the span of its limits (of the value itself without two limits), or from or to no reading.
  bool next(const record::Reading& reading);
  // Of the last five values by their least-squares slope, against the same step.
  Heading heading() const;
  // Readings in a row inside their limits.
  int inside() const { return inside_; }

 private:
  double step(const record::Reading& reading) const;
  std::optional<double> ticked_;
  bool first_ = true;
  bool had_value_ = false;
  double step_ = 0;
  std::deque<double> last_;
  int inside_ = 0;
};

struct WatchRound {
  std::uint64_t number = 0;  // from 1
  double elapsed_s = 0;
  record::Reading shown;                // the value watched
  std::vector<record::Reading> others;  // what came with it
  std::string doubt;                    // why the probe may not be where it should be; "" if it is
  bool changed = false;                 // worth a tick
  Heading heading = Heading::steady;
};

struct WatchSettings {
  Duration every = std::chrono::milliseconds(250);
  // In a row, all readings inside their limits, and the watch ends; without limits it goes on.
  int rounds_inside = 3;
  std::string quantity;  // of a pair: "phase", "balance", "level_1" ...; "" is the phase
};

enum class WatchEnd : std::uint8_t { inside, stopped };

class Watch {
 public:
  // All must outlive the watch; `person` may be null where nothing is asked or moved by hand.
  Watch(const script::Plan& plan, bench::Bench& bench, Operator* person, WatchSettings settings);

  // Errors: bad_input (the plan's last action is nothing to watch, no such quantity), unsafe (the
  // checks before power are not passed; a trip), cancelled (answered stop), and those of the
  // instruments. The bench is off afterwards.
  Awaitable<Result<WatchEnd>> run(std::function<void(const WatchRound&)> show);
  // Ends the watch after the round under way. From the same thread.
  void request_stop();

 private:
  Awaitable<Result<WatchEnd>> work(std::function<void(const WatchRound&)> show);
  Awaitable<Result<void>> prepare();
  Awaitable<Result<void>> power(script::Action action);
  Awaitable<Result<void>> place(script::Action action);
  Awaitable<Result<WatchRound>> measure(script::Action action);
  Awaitable<Result<void>> look_at_supply(script::Action action);
  Awaitable<void> wait_until(TimePoint when);

  const script::Plan& plan_;
  const script::BoardType& type_;
  bench::Bench& bench_;
  Operator* person_;
  WatchSettings settings_;
  bool stop_ = false;
  std::optional<boost::asio::steady_timer> waiting_;
};

// The script of a watch of `name`: a pair, a resistance or a test point of the board type. Empty
// texts take the middle of the band as LO, 5 kHz above it as RF, and 6 dB less than the board type
// allows. bad_input with the nearest name.
struct WatchSources {
  std::string lo, rf, level;  // quantities as text
};
Result<std::string> watch_script(const script::BoardType& type, const std::string& name,
                                 const WatchSources& sources);

}  // namespace nightbench::engine
