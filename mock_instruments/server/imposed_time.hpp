// The time that simulated instruments impose on whoever uses them: every span in which at least one
// of them runs a message, sends its answer, or has an operation under way (settling, acquiring).
// A program that waits for nothing else takes no longer. Spans come in the order of their
// beginnings, nearly; where one that began earlier comes late, a little is left out.
#pragma once

#include <algorithm>

#include "drivers/base/clock.hpp"

namespace nightbench::mock::server {

class ImposedTime {
 public:
  void add(TimePoint from, TimePoint to) {
    if (to <= covered_) return;
    total_ += to - std::max(from, covered_);
    covered_ = to;
  }
  // Up to `now`: of a span that is under way the part behind us.
  Duration total(TimePoint now) const {
    return total_ - std::max(Duration{}, covered_ - now);
  }

 private:
  TimePoint covered_{};
  Duration total_{};
};

}  // namespace nightbench::mock::server
