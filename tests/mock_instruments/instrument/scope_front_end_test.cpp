#include "mock_instruments/instrument/scope_front_end.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <numbers>
#include <numeric>

namespace nightbench::mock::instrument {
namespace {

using std::numbers::pi;

// A tone on every channel, known to the last bit.
class Tone final : public WaveSource {
 public:
  double hz = 1e3;
  double peak_v = 1.0;
  double mean_v = 0.0;
  std::vector<double> volts(int, TimePoint now, double start_s, double dt_s,
                            std::size_t n) override {
    std::vector<double> out(n);
    const double t0 = seconds(now.time_since_epoch()) + start_s;
    for (std::size_t i = 0; i < n; ++i) {
      out[i] = mean_v + peak_v * std::cos(2 * pi * hz * (t0 + static_cast<double>(i) * dt_s));
    }
    return out;
  }
  double mean_volts(int, TimePoint) override { return mean_v; }
};

ScopeConfig ideal() {
  ScopeConfig out;
  out.noise_lsb = out.gain_error = out.gain_match = out.range_gain = 0.0;
  out.offset_error = out.skew_s = out.trigger_jitter_s = 0.0;
  return out;
}

std::vector<double> volts(const ScopeRecord& record) {
  std::vector<double> out;
  for (const int raw : record.raw) out.push_back(raw * record.volts_per_raw() + record.offset_v);
  return out;
}

// Amplitude and phase (deg) at a frequency by projection; exact for whole periods.
std::pair<double, double> line(const std::vector<double>& y, double hz, double dt) {
  double re = 0;
  double im = 0;
  for (std::size_t i = 0; i < y.size(); ++i) {
    const double angle = 2 * pi * hz * dt * static_cast<double>(i);
    re += y[i] * std::cos(angle);
    im -= y[i] * std::sin(angle);
  }
  const double scale = 2.0 / static_cast<double>(y.size());
  return {scale * std::hypot(re, im), std::atan2(im, re) * 180 / pi};
}

TEST(ScopeSteps, FollowTheOneTwoFiveSeries) {
  EXPECT_DOUBLE_EQ(step_down(1e6), 1e6);
  EXPECT_DOUBLE_EQ(step_down(1.99e6), 1e6);
  EXPECT_DOUBLE_EQ(step_down(4.9e6), 2e6);
  EXPECT_DOUBLE_EQ(step_down(9.99e6), 5e6);
  EXPECT_DOUBLE_EQ(step_up(1e-3), 1e-3);
  EXPECT_DOUBLE_EQ(step_up(1.1e-3), 2e-3);
  EXPECT_DOUBLE_EQ(step_up(2.5e-3), 5e-3);
  EXPECT_DOUBLE_EQ(step_up(6e-3), 1e-2);
  // 0.1 + 0.2 and the like are still the step they mean.
  EXPECT_DOUBLE_EQ(step_down(1e6 * (1 - 1e-12)), 1e6);
  EXPECT_DOUBLE_EQ(step_up(0.1 + 0.2 - 0.1), 0.2);
}

TEST(ScopeFrontEnd, SettingsSnapAndShareMemoryAndRate) {
  Tone tone;
  ScopeFrontEnd scope(tone, ideal(), 8.0, 1);
  scope.set_full_scale(1, 3.0, {}, {});
  EXPECT_DOUBLE_EQ(scope.channel(1).full_scale_v, 4.0);  // 0.5 V a division
  scope.set_rate(3e6);
  EXPECT_DOUBLE_EQ(scope.rate_hz(), 2e6);
  // signal.md 5.1, common practice: two channels halve rate and memory.
  scope.set_rate(1e9);
  EXPECT_DOUBLE_EQ(scope.rate_hz(), 5e8);
  scope.set_points(1'000'000);
  EXPECT_EQ(scope.points(), 500'000U);
  scope.channel(2).on = false;
  EXPECT_DOUBLE_EQ(scope.rate_hz(), 1e9);
  EXPECT_EQ(scope.points(), 1'000'000U);
}

TEST(ScopeFrontEnd, ReadsAToneAtItsAmplitudeAndPhase) {
  Tone tone;
  tone.mean_v = 2.5;
  ScopeFrontEnd scope(tone, ideal(), 8.0, 1);
  for (const int channel : {1, 2}) {
    scope.set_full_scale(channel, 4.0, {}, {});
    scope.set_offset(channel, 2.5, {}, {});
  }
  scope.trigger.level_v = 2.5;
  scope.arm(TimePoint{}, Latency::instant());
  const ScopeRecord* record = scope.record(1, TimePoint{});
  ASSERT_NE(record, nullptr);
  ASSERT_EQ(record->raw.size(), 10'000U);
  const auto [peak, phase] = line(volts(*record), 1e3, record->dt_s);
  EXPECT_NEAR(peak, 1.0, 1e-3);
  EXPECT_NEAR(phase, -90.0, 0.1);  // it starts at a rising edge through the middle
}

// Quantisation q/sqrt(12), white when the signal covers many codes and something dithers it
// (signal.md 2; Widrow, Kollar, Liu 1996).
TEST(ScopeFrontEnd, QuantisesLikeAnEightBitConverter) {
  Tone tone;
  tone.hz = 1234.5;
  tone.peak_v = 3.3;
  ScopeConfig config = ideal();
  config.noise_lsb = 0.5;
  ScopeFrontEnd scope(tone, config, 8.0, 1);
  scope.trigger.channel = 0;
  scope.arm(TimePoint{}, Latency::instant());
  const ScopeRecord* record = scope.record(1, TimePoint{});
  ASSERT_NE(record, nullptr);
  const double q = record->full_scale_v / 256;
  for (const int raw : record->raw) ASSERT_EQ(raw % 256, 0);
  // Residual against the best cosine, sine and constant.
  const std::vector<double> y = volts(*record);
  const auto n = static_cast<double>(y.size());
  double best = 1e9;
  double start = 0.0;
  for (double step = 1e-4; step > 1e-9; step /= 10) {
    double at = start;
    for (int k = -10; k <= 10; ++k) {
      double sum = 0;
      const double shift = start + k * step;
      for (std::size_t i = 0; i < y.size(); ++i) {
        const double t = shift + static_cast<double>(i) * record->dt_s;
        const double r = y[i] - tone.peak_v * std::cos(2 * pi * tone.hz * t);
        sum += r * r;
      }
      if (sum < best) {
        best = sum;
        at = shift;
      }
    }
    start = at;
  }
  const double expected = q * std::sqrt(1.0 / 12 + 0.25);
  EXPECT_NEAR(std::sqrt(best / n), expected, 0.03 * expected);
}

TEST(ScopeFrontEnd, ClipsAtTheConvertersEnds) {
  Tone tone;
  tone.peak_v = 10.0;
  ScopeFrontEnd scope(tone, ideal(), 8.0, 1);
  scope.arm(TimePoint{}, Latency::instant());
  const ScopeRecord* record = scope.record(1, TimePoint{});
  ASSERT_NE(record, nullptr);
  EXPECT_EQ(*std::ranges::min_element(record->raw), -32768);
  EXPECT_EQ(*std::ranges::max_element(record->raw), 127 * 256);
}

// Check value SCO-6: 1.26 MHz shows as 240 kHz at 500 kS/s and as 60 kHz at 400 kS/s (here 200
// kS/s, a step of the series: 60 kHz too).
TEST(ScopeFrontEnd, FoldsWhatIsAboveHalfTheRate) {
  Tone tone;
  tone.hz = 1.26e6;
  ScopeFrontEnd scope(tone, ideal(), 8.0, 1);
  scope.set_full_scale(1, 2.0, {}, {});
  for (const auto& [rate, alias] : {std::pair{5e5, 240e3}, {2e5, 60e3}}) {
    scope.set_rate(rate);
    scope.trigger.channel = 0;
    scope.arm(TimePoint{}, Latency::instant());
    const ScopeRecord* record = scope.record(1, TimePoint{});
    ASSERT_NE(record, nullptr);
    EXPECT_NEAR(line(volts(*record), alias, record->dt_s).first, 1.0, 0.01) << rate;
  }
}

TEST(ScopeFrontEnd, ErrorsComeFromTheSeedAndShowInTheRecord) {
  Tone tone;
  ScopeConfig config = ideal();
  config.gain_error = 0.02;
  config.gain_match = 0.05;
  config.range_gain = 0.001;
  config.skew_s = 1e-5;
  config.noise_lsb = 0.5;  // so that quantisation averages out
  config.offset_error = 0.01;
  config.time_base_error_ppm = 50;
  ScopeFrontEnd scope(tone, config, 8.0, 77);
  ScopeFrontEnd same(tone, config, 8.0, 77);
  ScopeFrontEnd other(tone, config, 8.0, 78);
  EXPECT_EQ(scope.gain(1), same.gain(1));
  EXPECT_NE(scope.gain(1), other.gain(1));
  EXPECT_NE(scope.gain(1), scope.gain(2));
  EXPECT_LE(std::fabs(scope.gain(1) - 1.0), 0.02 + 0.025 + 0.001);
  EXPECT_LE(std::fabs(scope.gain(1) - scope.gain(2)), 0.05 + 0.002);
  for (const int channel : {1, 2}) scope.set_full_scale(channel, 4.0, {}, {});
  const double before = scope.gain(1);
  scope.set_full_scale(1, 1.6, {}, {});
  EXPECT_NE(scope.gain(1), before);  // a range has its own error
  scope.set_full_scale(1, 4.0, {}, {});
  EXPECT_EQ(scope.gain(1), before);  // which it keeps

  scope.trigger.channel = 0;
  scope.arm(TimePoint{}, Latency::instant());
  const ScopeRecord* one = scope.record(1, TimePoint{});
  const ScopeRecord* two = scope.record(2, TimePoint{});
  const auto [peak1, phase1] = line(volts(*one), 1e3, one->dt_s);
  const auto [peak2, phase2] = line(volts(*two), 1e3, two->dt_s);
  EXPECT_NEAR(peak2 / peak1, scope.gain(2) / scope.gain(1), 6e-4);
  const double skew = scope.skew_s(2) - scope.skew_s(1);
  EXPECT_NEAR(std::remainder(phase2 - phase1, 360), 360 * 1e3 * skew, 0.05);
  const std::vector<double> y = volts(*one);
  const double mean = std::accumulate(y.begin(), y.end(), 0.0) / static_cast<double>(y.size());
  EXPECT_NEAR(mean, scope.offset_error_v(1), 1e-3);
}

// signal.md 5.3: K records lower the noise by sqrt(K) when the trigger is coherent.
TEST(ScopeFrontEnd, AveragingLowersNoise) {
  Tone tone;
  tone.peak_v = 0.0;
  ScopeConfig config = ideal();
  config.noise_lsb = 2.0;
  ScopeFrontEnd scope(tone, config, 8.0, 5);
  const auto spread = [&](int averages) {
    scope.averages = averages;
    scope.trigger.channel = 0;
    scope.arm(TimePoint{}, Latency::instant());
    const std::vector<double> y = volts(*scope.record(1, TimePoint{}));
    double sum = 0;
    for (const double v : y) sum += v * v;
    return std::sqrt(sum / static_cast<double>(y.size()));
  };
  const double one = spread(1);
  const double sixteen = spread(16);
  EXPECT_NEAR(one / sixteen, 4.0, 0.2);
}

TEST(ScopeFrontEnd, TimeFollowsTimeBaseAveragesAndTrigger) {
  Tone tone;
  ScopeFrontEnd scope(tone, ideal(), 8.0, 1);
  const Latency latency = Latency::typical({});
  scope.set_rate(1e5);  // 10 000 points: 0.1 s
  scope.trigger.channel = 0;
  const double one = seconds(scope.arm(TimePoint{}, latency) - TimePoint{});
  constexpr double kBegin_s = 0.06;  // once, however many are averaged
  EXPECT_GE(one, 0.1 + kBegin_s);
  EXPECT_LE(one, 0.11 + kBegin_s);
  scope.averages = 8;
  const double eight = seconds(scope.arm(TimePoint{}, latency) - TimePoint{});
  EXPECT_NEAR(eight - kBegin_s, 8 * (one - kBegin_s), 0.01);
  EXPECT_TRUE(scope.armed(TimePoint{} + std::chrono::milliseconds(700)));
  EXPECT_FALSE(scope.has_record(TimePoint{} + std::chrono::milliseconds(700)));
  EXPECT_TRUE(scope.has_record(TimePoint{} + std::chrono::seconds(1)));

  scope.trigger.channel = 1;
  scope.trigger.level_v = 1.5;  // above the tone: no edge
  scope.trigger.normal = true;
  EXPECT_EQ(scope.arm(TimePoint{}, latency), TimePoint::max());
  scope.trigger.normal = false;
  EXPECT_LT(scope.arm(TimePoint{}, latency), TimePoint{} + std::chrono::seconds(1));
}

TEST(ScopeFrontEnd, AChangeOfRangeSettles) {
  Tone tone;
  tone.peak_v = 0.0;
  ScopeFrontEnd scope(tone, ideal(), 8.0, 1);
  scope.trigger.channel = 0;
  scope.set_full_scale(1, 8.0, TimePoint{}, std::chrono::milliseconds(20));
  scope.arm(TimePoint{} + std::chrono::milliseconds(1), Latency::instant());
  EXPECT_GT(volts(*scope.record(1, TimePoint::max()))[0], 0.1);
  scope.arm(TimePoint{} + std::chrono::milliseconds(20), Latency::instant());
  EXPECT_EQ(volts(*scope.record(1, TimePoint::max()))[0], 0.0);
}

}  // namespace
}  // namespace nightbench::mock::instrument
