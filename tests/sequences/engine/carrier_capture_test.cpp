// The lock-in underneath clutter, and what a probe shows that is elsewhere.
#include "sequences/engine/carrier_capture.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <numbers>
#include <random>

#include "sequences/signal/spectrum.hpp"

namespace nightbench::engine {
namespace {

using script::Carrier;

constexpr double kTurn = 2 * std::numbers::pi;

struct Tone {
  double hz = 0, amplitude_v = 0, phase_deg = 0;
};

std::vector<double> volts_of(const std::vector<Tone>& tones, const Sampling& sampling,
                             double noise_v, std::mt19937_64& random) {
  std::normal_distribution<double> normal;
  std::vector<double> out;
  for (std::size_t k = 0; k < sampling.points; ++k) {
    double volts = 2.5 + noise_v * normal(random);
    for (const Tone& each : tones) {
      volts +=
          each.amplitude_v * std::sin(kTurn * (each.hz * static_cast<double>(k) / sampling.rate_hz +
                                               each.phase_deg / 360));
    }
    out.push_back(volts);
  }
  return out;
}

// The LO's odd harmonics, as a switch's edges make them.
std::vector<Tone> clutter(double lo_hz, double fundamental_v) {
  std::vector<Tone> out;
  for (int k = 1; k <= 9; k += 2) out.push_back({k * lo_hz, fundamental_v / k, 20.0 * k});
  return out;
}

// The IF under 1 V of LO clutter with all its odd harmonics and 5 mV of noise: level and angle come
// out, although the raw trace swings more than 20 times as far.
TEST(LockIn, FindsTheIfUnderneathTheClutter) {
  const Lines lines{10.120e6, 10.125e6};
  const auto sampling = plan_sampling(Carrier::intermediate, lines);
  ASSERT_TRUE(sampling);
  int inside = 0;
  constexpr int kRounds = 20;
  for (std::uint64_t seed = 1; seed <= kRounds; ++seed) {
    std::mt19937_64 random(seed);
    std::vector<std::vector<double>> samples;
    for (int n = 0; n < 4; ++n) {
      std::vector<Tone> first = clutter(lines.lo_hz, 1.0);
      std::vector<Tone> second = clutter(lines.lo_hz, 0.7);
      // RF that leaks through, and captures that begin anywhere in the IF's period.
      first.push_back({lines.rf_hz, 0.05, 10});
      second.push_back({lines.rf_hz, 0.05, 100});
      first.push_back({lines.if_hz(), 80e-3, 77.0 * n});
      second.push_back({lines.if_hz(), 72e-3, 77.0 * n + 90});
      samples.push_back(volts_of(first, *sampling, 5e-3, random));
      samples.push_back(volts_of(second, *sampling, 5e-3, random));
    }
    std::vector<PairTraces> captures;
    for (std::size_t n = 0; n < samples.size(); n += 2) {
      const double dt_s = 1 / sampling->rate_hz;
      captures.push_back({signal::trace_of(std::span<const double>(samples[n]), dt_s),
                          signal::trace_of(std::span<const double>(samples[n + 1]), dt_s)});
    }
    const auto found = compare(captures, Carrier::intermediate, lines);
    ASSERT_TRUE(found) << "seed " << seed;
    EXPECT_TRUE(found->channels[0].present && found->channels[1].present);
    const auto span = signal::extremes(captures[0].first);
    EXPECT_GT(span.highest_v - span.lowest_v, 20 * found->channels[0].amplitude_v);
    EXPECT_NEAR(found->channels[0].amplitude_v, 80e-3, 0.02 * 80e-3) << "seed " << seed;
    EXPECT_NEAR(found->phase_deg, 90, 2.0) << "seed " << seed;
    if (std::fabs(found->phase_deg - 90) <= 2 * found->u_phase_deg + 1e-9) ++inside;
  }
  // k = 2 of few captures leaves some outside.
  EXPECT_GE(inside, 16);
}

TEST(LockIn, SamplingSetsTheLineApartFromEveryOther) {
  const Lines lines{10.120e6, 10.125e6};
  for (const Carrier carrier : {Carrier::lo, Carrier::rf, Carrier::intermediate}) {
    const auto sampling = plan_sampling(carrier, lines);
    ASSERT_TRUE(sampling) << script::word(carrier);
    const double own = lines.at(carrier);
    EXPECT_LT(own, 0.5 * sampling->rate_hz) << "not folded";
    const double bin_hz = sampling->rate_hz / static_cast<double>(sampling->points);
    EXPECT_GE(own / bin_hz, 20 - 1e-9) << "20 periods";
    for (int k = 1; k <= 9; ++k) {
      for (const double other : {k * lines.lo_hz, k * lines.rf_hz}) {
        if (std::fabs(other - own) < 1) continue;
        const double folded = signal::apparent_frequency_hz(other, sampling->rate_hz);
        EXPECT_GE(std::fabs(folded - own), 4 * bin_hz) << script::word(carrier) << ", " << other;
      }
    }
  }
  EXPECT_FALSE(plan_sampling(Carrier::rf, Lines{10e6, 0})) << "the RF is off";
}

TEST(ProbeDoubt, IsToldFromTheSignal) {
  AtCarrier seen;
  seen.u_amplitude_v = 1e-4;
  const auto doubt = [&] { return probe_doubt(seen, Carrier::rf, "scope/1", "U1 pin 7"); };
  EXPECT_NE(doubt().find("there is nothing"), std::string::npos) << doubt();
  seen.lo_v = 0.5;
  EXPECT_NE(doubt().find("there is the LO"), std::string::npos) << doubt();
  seen.lo_v = 0;
  seen.mains_v = 0.02;
  EXPECT_NE(doubt().find("mains hum"), std::string::npos) << doubt();
  EXPECT_NE(doubt().find("clip"), std::string::npos) << doubt();
  seen.present = true;
  EXPECT_EQ(doubt(), "");
}

}  // namespace
}  // namespace nightbench::engine
