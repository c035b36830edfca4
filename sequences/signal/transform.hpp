// Discrete Fourier transform of real data, bins 0 .. N/2. Plans are kept by length; planning is
// locked, so any number of threads may call. Inner part of this folder.
#pragma once

#include <complex>
#include <span>
#include <vector>

namespace nightbench::signal {

std::vector<std::complex<double>> transform(std::span<double> values);

}  // namespace nightbench::signal
