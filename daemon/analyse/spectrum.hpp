// Spectrum of I + jQ for a picture: positive and negative frequencies, 4-term Blackman-Harris
// window, means removed, in dB against 1 V peak.
#pragma once

#include <cstddef>
#include <vector>

#include "sequences/signal/samples.hpp"

namespace nightbench::analyse {

struct SpectrumBin {
  double frequency_hz = 0.0;
  double level_db = 0.0;
};

// In order of frequency, -rate/2 to rate/2. Records longer than `most_points` are taken from their
// start. At least 2 samples of equal interval in both.
std::vector<SpectrumBin> complex_spectrum(const signal::Trace& i, const signal::Trace& q,
                                          std::size_t most_points = std::size_t{1} << 17);

// At most `most` of them: of each group of neighbours the strongest, so that no line is lost.
std::vector<SpectrumBin> thinned(const std::vector<SpectrumBin>& bins, std::size_t most);

}  // namespace nightbench::analyse
