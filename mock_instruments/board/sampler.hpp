// Turns tones with periodic envelopes into samples on a time base.
#pragma once

#include <complex>
#include <cstdint>
#include <span>
#include <vector>

#include "mock_instruments/board/lo_lines.hpp"
#include "mock_instruments/board/stimulus.hpp"

namespace nightbench::mock::board {

// The phase of f at a moment, in cycles, in [0, 1): exact for whole seconds.
double phase_cycles(double frequency_hz, Moment when);

// v(t) = Re(amplitude exp(j 2 pi (rf phase - order x lo phase)) q(lo phase)), lo phase with its
// start included. Adds to `out`.
struct Tone {
  double rf_hz = 0.0;  // 0 for DC
  int order = 0;
  std::complex<double> amplitude;
  const std::vector<std::complex<float>>* envelope = nullptr;  // over one LO period
};

struct TimeBase {
  Moment start;
  double dt_s = 1e-6;
  double lo_hz = 0.0;
  double lo_start_cycles = 0.0;
};

void add_tone(const Tone& tone, const TimeBase& base, std::span<double> out);

// The wave of a select pin, written over `out`.
void sample_select_line(const SelectLine& line, const TimeBase& base, std::span<double> out);

}  // namespace nightbench::mock::board
