// Deterministic records that the tests of signal/ share.
//
// Set S: n = 0..199, fs = 1, w0 = 2 pi 0.0437, I = rint(100 cos(w0 n + 0.7) + 3.3),
// Q = rint(97 cos(w0 (n + q_late) + 0.7 - pi/2 - 0.03) - 1.6). It stands in for a published IEEE
// 1057 sample record; none was found. Expected values of the FIT rows were computed apart from this
// program by Gauss-Newton in double precision from several starts.
#pragma once

#include <array>
#include <cmath>
#include <cstddef>
#include <numbers>
#include <span>
#include <vector>

#include "sequences/signal/samples.hpp"

namespace nightbench::signal::test {

inline constexpr double pi = std::numbers::pi;
inline constexpr double set_s_cycles = 0.0437;

inline std::vector<double> set_s_i(bool rounded = true) {
  std::vector<double> values;
  for (int n = 0; n < 200; ++n) {
    const double y = 100.0 * std::cos(2.0 * pi * set_s_cycles * n + 0.7) + 3.3;
    values.push_back(rounded ? std::rint(y) : y);
  }
  return values;
}

inline std::vector<double> set_s_q(double late = 0.0, bool rounded = true) {
  std::vector<double> values;
  for (int n = 0; n < 200; ++n) {
    const double x = 2.0 * pi * set_s_cycles * (n + late) + 0.7 - pi / 2.0 - 0.03;
    const double y = 97.0 * std::cos(x) - 1.6;
    values.push_back(rounded ? std::rint(y) : y);
  }
  return values;
}

inline Trace trace(const std::vector<double>& values, double dt_s = 1.0, double t0_s = 0.0) {
  return trace_of(std::span<const double>(values), dt_s, t0_s);
}

// NIST StRD, data set ENSO (Kahaner, Moler and Nash, 1989, by way of NIST): monthly averaged
// pressure differences between Easter Island and Darwin, x = 1..168.
inline const std::array<double, 168> enso = {
    12.9, 11.3, 10.6, 11.2, 10.9, 7.5,  7.7,  11.7, 12.9, 14.3, 10.9, 13.7, 17.1, 14.0, 15.3, 8.5,
    5.7,  5.5,  7.6,  8.6,  7.3,  7.6,  12.7, 11.0, 12.7, 12.9, 13.0, 10.9, 10.4, 10.2, 8.0,  10.9,
    13.6, 10.5, 9.2,  12.4, 12.7, 13.3, 10.1, 7.8,  4.8,  3.0,  2.5,  6.3,  9.7,  11.6, 8.6,  12.4,
    10.5, 13.3, 10.4, 8.1,  3.7,  10.7, 5.1,  10.4, 10.9, 11.7, 11.4, 13.7, 14.1, 14.0, 12.5, 6.3,
    9.6,  11.7, 5.0,  10.8, 12.7, 10.8, 11.8, 12.6, 15.7, 12.6, 14.8, 7.8,  7.1,  11.2, 8.1,  6.4,
    5.2,  12.0, 10.2, 12.7, 10.2, 14.7, 12.2, 7.1,  5.7,  6.7,  3.9,  8.5,  8.3,  10.8, 16.7, 12.6,
    12.5, 12.5, 9.8,  7.2,  4.1,  10.6, 10.1, 10.1, 11.9, 13.6, 16.3, 17.6, 15.5, 16.0, 15.2, 11.2,
    14.3, 14.5, 8.5,  12.0, 12.7, 11.3, 14.5, 15.1, 10.4, 11.5, 13.4, 7.5,  0.6,  0.3,  5.5,  5.0,
    4.6,  8.2,  9.9,  9.2,  12.5, 10.9, 9.9,  8.9,  7.6,  9.5,  8.4,  10.7, 13.6, 13.7, 13.7, 16.5,
    16.8, 17.1, 15.4, 9.5,  6.1,  10.1, 9.3,  5.3,  11.2, 16.6, 15.6, 12.0, 11.5, 8.6,  13.8, 8.7,
    8.6,  8.6,  8.7,  12.8, 13.2, 14.0, 13.4, 14.8};

}  // namespace nightbench::signal::test
