// Several lines in one record, fitted at once: a wanted tone beside a known stranger (mains, a
// second carrier) that would bias a single-tone fit. Each line's frequency is known or searched for
// from a start near it. Levenberg-Marquardt on the frequencies, amplitudes solved at each step.
// For records of some thousand points: it builds all columns. Units: Hz, seconds, volts.
#pragma once

#include <cstddef>
#include <span>
#include <vector>

#include "sequences/signal/samples.hpp"

namespace nightbench::signal {

struct ToneStart {
  double frequency_hz = 0.0;
  bool known = false;  // keep the frequency
};

struct FittedTone {
  double frequency_hz = 0.0;
  double cos_v = 0.0;  // A and B of A cos(2 pi f t) + B sin(2 pi f t), t on the trace's clock
  double sin_v = 0.0;
  double u_frequency_hz = 0.0;  // standard uncertainties for white residuals
  double u_cos_v = 0.0;
  double u_sin_v = 0.0;
};

struct SeveralTones {
  double offset_v = 0.0;
  double u_offset_v = 0.0;
  std::vector<FittedTone> tones;
  double residual_squares_v2 = 0.0;
  double residual_std_v = 0.0;  // with N less the number of parameters
  int steps = 0;
};

// Refuses too few points, lines that cannot be told apart, and a search that does not settle.
Expected<SeveralTones> fit_several_tones(const Trace& trace, std::span<const ToneStart> starts);

}  // namespace nightbench::signal
