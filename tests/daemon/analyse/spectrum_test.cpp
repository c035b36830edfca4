#include "daemon/analyse/spectrum.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <complex>
#include <numbers>

namespace nightbench::analyse {
namespace {

constexpr double rate_hz = 48000;

std::vector<SpectrumBin> spectrum_of(const std::vector<std::complex<double>>& values) {
  std::vector<double> i, q;
  for (const auto& each : values) i.push_back(each.real()), q.push_back(each.imag());
  return complex_spectrum(signal::trace_of(std::span<const double>(i), 1 / rate_hz),
                          signal::trace_of(std::span<const double>(q), 1 / rate_hz));
}

double level_at(const std::vector<SpectrumBin>& bins, double frequency_hz) {
  return std::min_element(bins.begin(), bins.end(),
                          [&](const SpectrumBin& a, const SpectrumBin& b) {
                            return std::fabs(a.frequency_hz - frequency_hz) <
                                   std::fabs(b.frequency_hz - frequency_hz);
                          })
      ->level_db;
}

TEST(ComplexSpectrum, ATurningPhasorStandsOnItsOwnSide) {
  std::vector<std::complex<double>> values;
  for (int n = 0; n < 3000; ++n) {
    const double x = 2 * std::numbers::pi * 3000 * n / rate_hz;
    // 0.5 V with +f, 40 dB less with -f, and a large DC.
    values.push_back(0.5 * std::polar(1.0, x) + 0.005 * std::polar(1.0, -x) +
                     std::complex<double>(2.5, -1));
  }
  const auto bins = spectrum_of(values);
  EXPECT_NEAR(level_at(bins, 3000), 20 * std::log10(0.5), 0.01);
  EXPECT_NEAR(level_at(bins, -3000), 20 * std::log10(0.005), 0.01);
  EXPECT_LT(level_at(bins, 6000), -90);
  EXPECT_LT(level_at(bins, 0), -60);
}

TEST(ComplexSpectrum, BinsRunFromMinusToPlusHalfTheRate) {
  const auto bins = spectrum_of(std::vector<std::complex<double>>(100, 1.0));
  EXPECT_EQ(bins.front().frequency_hz, -rate_hz / 2);
  EXPECT_LT(bins.back().frequency_hz, rate_hz / 2);
  EXPECT_TRUE(std::is_sorted(bins.begin(), bins.end(), [](const auto& a, const auto& b) {
    return a.frequency_hz < b.frequency_hz;
  }));
}

// The transform against the sum that defines it, at every bin of a short record.
TEST(ComplexSpectrum, AgreesWithTheDefinition) {
  std::vector<std::complex<double>> values;
  for (int n = 0; n < 50; ++n) values.emplace_back(std::sin(n * n * 0.7), std::cos(n * 1.9 + 0.3));
  const auto bins = spectrum_of(values);
  std::complex<double> mean = 0;
  for (const auto& each : values) mean += each / 50.0;
  std::vector<double> window;
  double sum = 0;
  for (int n = 0; n < 50; ++n) {
    const double x = 2 * std::numbers::pi * n / 50;
    // 4-term Blackman-Harris (Harris, Proc. IEEE 66, 1978, Table 1).
    window.push_back(0.35875 - 0.48829 * std::cos(x) + 0.14128 * std::cos(2 * x) -
                     0.01168 * std::cos(3 * x));
    sum += window.back();
  }
  for (std::size_t k = 0; k < bins.size(); k += 97) {
    std::complex<double> line = 0;
    for (int n = 0; n < 50; ++n) {
      line += window[static_cast<std::size_t>(n)] * (values[static_cast<std::size_t>(n)] - mean) *
              std::polar(1.0, -2 * std::numbers::pi * bins[k].frequency_hz / rate_hz * n);
    }
    EXPECT_NEAR(std::pow(10, bins[k].level_db / 20), std::abs(line) / sum, 1e-9) << k;
  }
}

TEST(ComplexSpectrum, ThinningKeepsTheStrongest) {
  std::vector<SpectrumBin> bins;
  for (int n = 0; n < 1000; ++n) bins.push_back({1.0 * n, n == 777 ? 0.0 : -100.0});
  const auto few = thinned(bins, 64);
  EXPECT_LE(few.size(), 64U);
  EXPECT_EQ(std::count_if(few.begin(), few.end(),
                          [](const SpectrumBin& bin) { return bin.frequency_hz == 777; }),
            1);
  EXPECT_EQ(thinned(bins, 5000).size(), 1000U);
}

}  // namespace
}  // namespace nightbench::analyse
