// Find the strongest tone and fit it: from a record to a frequency without a guess.
//
// Records longer than StartOptions::most_points are searched in their middle; the fit then grows
// outwards by factors of 8, each fit starting well inside the main lobe of the next.
#pragma once

#include "sequences/signal/samples.hpp"
#include "sequences/signal/sine_fit.hpp"
#include "sequences/signal/spectrum.hpp"
#include "sequences/signal/two_channel_fit.hpp"

namespace nightbench::signal {

Expected<SineFit> find_and_fit(const Trace& trace, const StartOptions& start = {},
                               const FitOptions& options = {});

Expected<TwoChannelFit> find_and_fit(const Trace& first, const Trace& second,
                                     const StartOptions& start = {},
                                     const TwoChannelOptions& options = {});

// Start frequency for the whole of both records, found in the middle and refined outwards.
Expected<double> start_frequency_hz(const Trace& first, const Trace& second,
                                    const StartOptions& start = {});

}  // namespace nightbench::signal
