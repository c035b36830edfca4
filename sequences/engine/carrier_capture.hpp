// Comparing two test points at one known line (LO, RF or IF): how to sample it, its level and phase
// underneath everything else, and what a probe shows that is not where it should be. Pure.
#pragma once

#include <array>
#include <cstddef>
#include <optional>
#include <string>
#include <vector>

#include "sequences/reading/reading.hpp"
#include "sequences/script/checks.hpp"
#include "sequences/signal/samples.hpp"

namespace nightbench::engine {

// The lines that may stand on the board now, Hz; 0 for one that is off.
struct Lines {
  double lo_hz = 0, rf_hz = 0;
  double if_hz() const;  // magnitude; 0 unless both are on
  double at(script::Carrier carrier) const;
};

struct Sampling {
  double rate_hz = 0;
  std::size_t points = 0;
};

// A rate of the series 1, 2, 5 that takes the carrier unfolded with 20 periods or more in the
// record, while the other lines and the harmonics of RF and LO, folded as they may be, stay four
// bins away from it: a fit at the carrier's frequency then sees them as little as noise. At most
// 100 000 points. Nothing when the carrier is off or cannot be set apart.
std::optional<Sampling> plan_sampling(script::Carrier carrier, const Lines& lines);

// One channel at the carrier, averaged over captures: amplitudes are peak volts.
struct AtCarrier {
  double amplitude_v = 0, u_amplitude_v = 0;  // type A
  bool present = false;                       // stands clear of what the record holds otherwise
  double lo_v = 0, rf_v = 0, mains_v = 0;     // the other lines, where they can be told apart
};

struct Comparison {
  std::array<AtCarrier, 2> channels;
  double phase_deg = 0, u_phase_deg = 0;  // second less first, in [-180, 180); type A
  double balance_db = 0, u_balance_db = 0;  // second over first
  std::optional<double> frequency_hz;       // of the carrier as measured; none when it cannot be
  double u_frequency_hz = 0;
};

struct PairTraces {
  signal::Trace first, second;
};

// A lock-in at the carrier: each capture is fitted at the carrier's own frequency (found near the
// expected one in the first capture), and complex ratios are averaged, so that noise and clutter
// fall with the root of the number of captures. No captures: bad_arguments.
signal::Expected<Comparison> compare(const std::vector<PairTraces>& captures,
                                     script::Carrier carrier, const Lines& lines);

// Peak amplitude of 50 or 60 Hz, whichever is larger, in a record of at least 40 ms.
double mains_amplitude_v(const signal::Trace& slow);

// What is wrong with a probe, in words for the person, or "" when it shows its line: the LO where
// RF is expected, mains hum (a tip in the air or a clip that has come off), nothing.
std::string probe_doubt(const AtCarrier& seen, script::Carrier wanted, const std::string& probe,
                        const std::string& place);

}  // namespace nightbench::engine
