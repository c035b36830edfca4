#include "sequences/signal/spectrum.hpp"

#include <gmock/gmock.h>

#include <complex>
#include <cstdint>
#include <limits>
#include <random>

#include "sequences/signal/tone.hpp"
#include "tests/sequences/signal/data_sets.hpp"

namespace nightbench::signal {
namespace {

using test::pi;
using test::trace;

// WIN-1..6: Harris, Proc. IEEE 66, 1978, Table 1 (two decimals), recomputed.
TEST(Windows, Win1To6) {
  struct Row {
    Window window;
    double gain, noise_bins, scalloping_db;
  };
  const Row rows[] = {{Window::rectangular, 1.0, 1.000000, 3.922398},
                      {Window::hann, 0.5, 1.500000, 1.423623},
                      {Window::hamming, 0.54, 1.362826, 1.751431},
                      {Window::blackman, 0.42, 1.726757, 1.098879},
                      {Window::blackman_harris, 0.35875, 2.004353, 0.825572},
                      {Window::flat_top, 0.215579, 3.770246, 0.009778}};
  for (const Row& row : rows) {
    const WindowFigures figures = window_figures(row.window, 4096);
    EXPECT_NEAR(figures.coherent_gain, row.gain, 1e-5);
    EXPECT_NEAR(figures.noise_bandwidth_bins, row.noise_bins, 1e-5);
    EXPECT_NEAR(figures.scalloping_db, row.scalloping_db, 1e-5);
  }
}

std::vector<double> tone_of_fft_rows() {
  std::vector<double> y;
  for (int n = 0; n < 1024; ++n) y.push_back(std::cos(2.0 * pi * 20.3 * n / 1024.0 + 0.7));
  return y;
}

// FFT-1, FFT-2: interpolation errors of two and three points on 20.3 bins.
TEST(Start, Fft1And2Interpolation) {
  // Magnitudes around bin 20 from the windowed line itself.
  const std::vector<double> y = tone_of_fft_rows();
  const auto magnitude = [&](double bin) {
    const std::vector<double> w = window_values(Window::hann, 1024);
    std::complex<double> sum;
    double mean = 0.0;
    for (double v : y) mean += v / 1024.0;
    for (int n = 0; n < 1024; ++n) {
      sum += w[static_cast<std::size_t>(n)] * (y[static_cast<std::size_t>(n)] - mean) *
             std::polar(1.0, -2.0 * pi * bin * n / 1024.0);
    }
    return std::abs(sum);
  };
  const double below = magnitude(19.0);
  const double peak = magnitude(20.0);
  const double above = magnitude(21.0);
  EXPECT_LT(std::abs(20.0 + two_point_offset(below, peak, above) - 20.3), 6.8e-6 * 1.01);
  const double d = two_point_offset(below, peak, above);
  EXPECT_NEAR(4.0 * peak / 1024.0 * (1.0 - d * d) * pi * d / std::sin(pi * d), 1.0000015, 1e-7);
  EXPECT_LT(std::abs(20.0 + three_point_offset(below, peak, above) - 20.3), 4.1e-7 * 1.01);
}

// FFT-2, FFT-4: the start value as a whole.
TEST(Start, Fft4Phase) {
  const auto start = starting_value(trace(tone_of_fft_rows()));
  ASSERT_TRUE(start.has_value());
  EXPECT_NEAR(start->frequency_hz * 1024.0, 20.3, 4.2e-7);
  EXPECT_NEAR(start->amplitude_v, 1.0, 5e-6);
  EXPECT_NEAR(start->phase_rad, 0.7, 2.1e-5 * 1.05);
}

// FIT-12: distortion of cos + 0.01 2nd + 0.005 3rd, any coherent record.
TEST(Distortion, Fit12) {
  std::vector<double> y;
  for (int n = 0; n < 4000; ++n) {
    const double x = 2.0 * pi * 0.01 * n;
    y.push_back(std::cos(x + 0.3) + 0.01 * std::cos(2.0 * x) + 0.005 * std::cos(3.0 * x + 1.0));
  }
  TwoChannelOptions options;
  options.harmonics = 3;
  const auto fit = two_channel_fit_at(trace(y), trace(y), 0.01, options);
  ASSERT_TRUE(fit.has_value());
  const Distortion found = distortion(fit->first);
  EXPECT_EQ(found.harmonics, 3);
  EXPECT_NEAR(found.thd, 0.0111803399, 1e-6);
  EXPECT_NEAR(found.thd_db, -39.030900, 1e-6);
  EXPECT_NEAR(found.sinad_db, 39.030900, 1e-6);
  EXPECT_NEAR(enob_from_sinad(found.sinad_db, 2.2, 1.0), 6.327914, 1e-6);
  const auto plain = two_channel_fit_at(trace(y), trace(y), 0.01);
  ASSERT_TRUE(plain.has_value());
  EXPECT_NEAR(enob(2.2, plain->first.residual_rms_v), 6.327914, 1e-6);
}

// FIT-13: square wave with harmonics up to 10 from its Fourier series, at a rate where none folds.
TEST(Distortion, Fit13) {
  ChannelTone square;
  square.amplitude_v = 4.0 / pi;
  for (int k = 2; k <= 10; ++k) square.harmonics_v.push_back(k % 2 == 1 ? 4.0 / pi / k : 0.0);
  EXPECT_NEAR(distortion(square).thd, 0.4287947684, 1e-9);
  for (int k = 11; k <= 2'000'000; ++k) {
    square.harmonics_v.push_back(k % 2 == 1 ? 4.0 / pi / k : 0.0);
  }
  EXPECT_NEAR(distortion(square).thd, 0.4834258476, 1e-6);  // the series' tail is 5e-7
  ChannelTone triangle;
  triangle.amplitude_v = 1.0;
  for (int k = 2; k <= 2000; ++k) triangle.harmonics_v.push_back(k % 2 == 1 ? 1.0 / k / k : 0.0);
  EXPECT_NEAR(distortion(triangle).thd, 0.1211529265, 1e-9);
}

// NOI-3; NOI-1 backwards: an ideal converter driven to full scale has its own number of bits.
TEST(Distortion, Noi1And3EffectiveBits) {
  EXPECT_NEAR(enob_from_sinad(45.0, 2.0, 1.0), 7.181857, 1e-6);
  EXPECT_NEAR(enob_from_sinad(40.0, 2.0, 1.0), 6.351375, 1e-6);
  EXPECT_NEAR(enob_from_sinad(49.925712, 2.0, 1.0), 8.0, 1e-6);
  EXPECT_NEAR(enob_from_sinad(98.090511, 2.0, 1.0), 16.0, 1e-6);
}

// NOI-6: detection in white noise, exponentially distributed bins.
TEST(Start, Noi6DetectionThreshold) {
  const std::size_t known = 1'000'000'000;  // noise known well
  const auto db = [&](std::size_t bins, double false_alarm) {
    return 10.0 * std::log10(detection_threshold(bins, known, false_alarm));
  };
  EXPECT_NEAR(detection_threshold(5000, known, 1e-6), 22.332704, 1e-5);
  EXPECT_NEAR(db(5000, 1e-6), 13.489413, 1e-5);
  EXPECT_NEAR(db(5000, 1e-3), 11.882237, 1e-5);
  EXPECT_NEAR(db(500'000, 1e-6), 14.303633, 1e-5);
  // Noise known from few bins: more is asked.
  EXPECT_GT(detection_threshold(13, 6, 1e-6), detection_threshold(13, known, 1e-6));
}

// Noise alone is never a tone, whatever the length.
TEST(Start, NoiseAloneIsRefused) {
  const unsigned seed = 20240611;
  RecordProperty("seed", static_cast<int>(seed));
  std::mt19937_64 random(seed);
  std::normal_distribution<double> normal;
  for (std::size_t points : {32u, 33u, 40u, 64u, 100u, 257u, 1000u, 4096u}) {
    std::vector<double> y(points);
    for (int trial = 0; trial < 2000; ++trial) {
      for (double& v : y) v = normal(random);
      const auto start = starting_value(trace(y));
      ASSERT_FALSE(start.has_value()) << points << " points, trial " << trial << ", seed " << seed
                                      << ": " << start->peak_over_mean_db << " dB";
    }
  }
}

// Tiny and odd records: a clean tone is found in the right bin or refused, never put elsewhere.
TEST(Start, TinyRecords) {
  for (std::size_t points : {16u, 31u, 32u, 37u, 50u, 64u, 101u}) {
    for (double bins = 0.3; bins < 0.5 * static_cast<double>(points); bins += 0.37) {
      for (double phase : {0.0, 1.0, 2.0, 4.0}) {
        std::vector<double> y;
        for (std::size_t n = 0; n < points; ++n) {
          y.push_back(3.0 + std::cos(2.0 * pi * bins * static_cast<double>(n) /
                                         static_cast<double>(points) +
                                     phase));
        }
        const auto start = starting_value(trace(y));
        if (!start) continue;
        EXPECT_NEAR(start->frequency_hz * static_cast<double>(points), bins, 0.7)
            << points << " points, " << bins << " bins, phase " << phase;
      }
    }
  }
}

TEST(Start, RefusesWhatItCannotKnow) {
  const auto kind_of = [](const std::vector<double>& y) {
    const auto start = starting_value(trace(y));
    EXPECT_FALSE(start.has_value());
    return start ? TroubleKind::bad_arguments : start.error().kind;
  };
  EXPECT_EQ(kind_of(std::vector<double>(31, 1.0)), TroubleKind::too_few_points);
  EXPECT_EQ(kind_of(std::vector<double>(1000, 1.0)), TroubleKind::no_tone);
  std::vector<double> slow;
  for (int n = 0; n < 1000; ++n) slow.push_back(std::cos(2.0 * pi * 0.0011 * n));
  EXPECT_EQ(kind_of(slow), TroubleKind::too_few_periods);
  slow[5] = std::numeric_limits<double>::infinity();
  EXPECT_EQ(kind_of(slow), TroubleKind::bad_samples);
}

// Records longer than the searched part: the fit grows outwards and lands on the truth.
TEST(Tone, LongRecordsAreFoundFromTheirMiddle) {
  const unsigned seed = 5;
  std::mt19937_64 random(seed);
  std::normal_distribution<double> normal(0.0, 0.2);
  constexpr double cycles = 0.0371828;
  std::vector<double> i;
  std::vector<double> q;
  for (int n = 0; n < 400'000; ++n) {
    i.push_back(std::cos(2.0 * pi * cycles * n) + normal(random));
    q.push_back(std::sin(2.0 * pi * cycles * n) + normal(random));
  }
  StartOptions start;
  start.most_points = 1024;
  const auto fit = find_and_fit(trace(i), trace(q), start);
  ASSERT_TRUE(fit.has_value()) << fit.error().detail << ", seed " << seed;
  EXPECT_LT(std::abs(fit->frequency_hz - cycles), 5.0 * fit->u_frequency_hz) << "seed " << seed;
  const auto single = find_and_fit(trace(i), start);
  ASSERT_TRUE(single.has_value());
  EXPECT_LT(std::abs(single->frequency_hz - cycles), 5.0 * single->u_frequency_hz);
}

// Complex lines: I + jQ of a known mixture of both sides.
TEST(Lines, BothSidesOfIPlusJq) {
  std::vector<double> i;
  std::vector<double> q;
  for (int n = 0; n < 2000; ++n) {
    const double x = 2.0 * pi * 0.0231 * n + 0.3;
    const std::complex<double> z = std::polar(1.0, x) + 0.01 * std::polar(1.0, -x + 0.8);
    i.push_back(z.real() + 5.0);
    q.push_back(z.imag() - 2.0);
  }
  const auto lines = image_lines(trace(i), trace(q), 0.0231);
  ASSERT_TRUE(lines.has_value());
  EXPECT_NEAR(std::abs(lines->plus_v), 1.0, 1e-4);
  EXPECT_NEAR(std::abs(lines->minus_v), 0.01, 1e-4);
  // Few periods: the main lobes would overlap.
  EXPECT_FALSE(image_lines(part(trace(i), 0, 200), part(trace(q), 0, 200), 0.0231).has_value());
}

// Density of white noise of variance s^2 is 2 s^2 / fs, whatever the window; the line's power is
// what it was.
TEST(Densities, WhiteNoiseAndALine) {
  const unsigned seed = 77;
  std::mt19937_64 random(seed);
  std::normal_distribution<double> normal(0.0, 0.01);
  std::vector<double> y;
  for (int n = 0; n < 20000; ++n) {
    y.push_back(0.5 * std::cos(2.0 * pi * 0.123 * n) + normal(random));
  }
  for (Window window : {Window::hann, Window::blackman_harris, Window::flat_top}) {
    const Density found = density(y, 1e-6, window);
    EXPECT_NEAR(noise_density(found, 0.0, 5e5) / (2.0 * 1e-4 * 1e-6), 1.0, 0.06) << seed;
  }
  const Line line = largest_line(density(y, 1e-6, Window::hann), 1e3, 5e5);
  EXPECT_NEAR(line.frequency_hz, 123e3, 50.0);
  EXPECT_NEAR(line.amplitude_v, 0.5, 1e-3);
  EXPECT_GT(line.over_noise_db, 60.0);
}

// Raw codes of every type, strided, read where they lie.
TEST(Samples, CodesOfEveryType) {
  const std::vector<std::int16_t> words = {1, 100, -2, 200, 3, 300};
  Trace odd = trace_of(std::span<const std::int16_t>(words), 0.5, 10.0, 2, 1);
  odd.volts_per_code = 0.01;
  odd.offset_v = 1.0;
  odd.limits = ConverterLimits{-32768.0, 300.0};
  ASSERT_EQ(odd.size, 3u);
  EXPECT_DOUBLE_EQ(volt_at(odd, 0), 2.0);
  EXPECT_DOUBLE_EQ(volt_at(odd, 2), 4.0);
  const Extremes seen = extremes(odd);
  EXPECT_DOUBLE_EQ(seen.highest_v, 4.0);
  EXPECT_DOUBLE_EQ(seen.lowest_code, 100.0);
  EXPECT_EQ(seen.at_highest_limit, 1u);
  EXPECT_EQ(seen.at_lowest_limit, 0u);
  EXPECT_EQ(seen.first_bad, 3u);
  const Trace tail = part(odd, 1, 100);
  EXPECT_EQ(tail.size, 2u);
  EXPECT_DOUBLE_EQ(tail.t0_s, 10.5);
  EXPECT_DOUBLE_EQ(volt_at(tail, 0), 3.0);
  const Trace thin = thinned(odd, 2);
  EXPECT_EQ(thin.size, 2u);
  EXPECT_DOUBLE_EQ(thin.dt_s, 1.0);
  EXPECT_DOUBLE_EQ(volt_at(thin, 1), 4.0);

  const std::vector<std::uint8_t> bytes = {0, 255, 128};
  Trace unsigned_codes = trace_of(std::span<const std::uint8_t>(bytes), 1.0);
  unsigned_codes.volts_per_code = -0.1;  // an inverted input
  EXPECT_DOUBLE_EQ(extremes(unsigned_codes).lowest_v, -25.5);
  EXPECT_DOUBLE_EQ(extremes(unsigned_codes).highest_v, 0.0);
  const std::vector<float> floats = {1.0F, std::numeric_limits<float>::quiet_NaN(), 2.0F};
  EXPECT_EQ(extremes(trace_of(std::span<const float>(floats), 1.0)).first_bad, 1u);
}

// The same record as int8, uint8, int16, float and double gives one answer.
TEST(Samples, FitsReadCodesDirectly) {
  std::vector<std::int8_t> a;
  std::vector<std::uint8_t> b;
  std::vector<std::int16_t> c;
  std::vector<float> d;
  std::vector<double> e;
  for (int n = 0; n < 777; ++n) {
    const auto code = std::lrint(90.0 * std::cos(2.0 * pi * 0.0317 * n + 0.4));
    a.push_back(static_cast<std::int8_t>(code));
    b.push_back(static_cast<std::uint8_t>(code + 128));
    c.push_back(static_cast<std::int16_t>(code));
    d.push_back(static_cast<float>(code));
    e.push_back(static_cast<double>(code));
  }
  const auto fitted = [](Trace t, double offset_codes) {
    t.volts_per_code = 0.02;
    t.offset_v = -0.02 * offset_codes;
    const auto fit = find_and_fit(t);
    EXPECT_TRUE(fit.has_value());
    return fit ? *fit : SineFit{};
  };
  const SineFit reference = fitted(trace(e), 0.0);
  for (const SineFit& one : {fitted(trace_of(std::span<const std::int8_t>(a), 1.0), 0.0),
                             fitted(trace_of(std::span<const std::uint8_t>(b), 1.0), 128.0),
                             fitted(trace_of(std::span<const std::int16_t>(c), 1.0), 0.0),
                             fitted(trace_of(std::span<const float>(d), 1.0), 0.0)}) {
    EXPECT_NEAR(one.frequency_hz, reference.frequency_hz, 1e-15);
    EXPECT_NEAR(one.amplitude_v, reference.amplitude_v, 1e-12);
    EXPECT_NEAR(one.offset_v, reference.offset_v, 1e-12);
  }
}

}  // namespace
}  // namespace nightbench::signal
