// From numbers to the ends and ticks of an axis. Pure; inside sequences/report only.
#pragma once

#include <limits>
#include <string>
#include <vector>

#include "sequences/report/svg_plot.hpp"

namespace nightbench::report {

struct Range {
  double least = std::numeric_limits<double>::infinity();
  double most = -std::numeric_limits<double>::infinity();
  void take(double value);  // what is not finite is left out
  bool empty() const { return least > most; }
  double span() const { return most - least; }
};

// The ends of an axis: fixed ones win; others go outwards by the fraction `room` of the span, so
// that no marker sits on the frame. Never empty.
Range settled(Range data, const Axis& axis, double room);

// Ticks in the unit that suits the range: value = tick * factor.
struct Ticks {
  std::vector<double> ticks;
  double factor = 1;
  int decimals = 0;
  std::string unit;
};
Ticks ticks_for(const Range& range, const Axis& axis, int wanted);
std::string tick_text(const Axis& axis, const Ticks& ticks, double tick);

}  // namespace nightbench::report
