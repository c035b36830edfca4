// The two select lines: their waves at the pins, and which switch path conducts when.
#pragma once

#include <array>
#include <vector>

#include "mock_instruments/board/assembly.hpp"
#include "mock_instruments/board/stimulus.hpp"

namespace nightbench::mock::board {

// One line over a period: a trapezoid, or a level that does not move (running = false: high_v).
struct SelectLine {
  bool running = false;
  double high_v = 0.0;
  double rise = 0.0;  // fraction of the period at which the upward edge is half way
  double duty = 0.5;
  double edge = 0.0;  // length of an edge as a fraction of the period

  double volts(double period_fraction) const;
  double mean_v() const { return running ? high_v * duty : high_v; }
};

struct SelectLines {
  double lo_hz = 0.0;             // 0: nothing moves
  std::array<SelectLine, 2> pin;  // 14, 2
};

SelectLines select_lines(const Assembly& board, const Stimulus& stimulus, double switch_supply_v);

// Paths by the number the two pins make (pin 14 + 2 x pin 2), in the 3253's order: B1, B2, B3, B4.
inline constexpr int path_none = 4;

// A stretch of the period with one path closed, or none (break before make).
struct Interval {
  int path = path_none;
  double begin = 0.0;     // fraction of the period
  double fraction = 1.0;  // length
};

// At least one; together they are one period.
std::vector<Interval> intervals(const SelectLines& lines, double threshold_v, double dead_v);

}  // namespace nightbench::mock::board
