// Simulated I/Q captures for the tests of this folder: what a board puts out, and what a scope with
// its own errors makes of it.
#pragma once

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <numbers>
#include <span>
#include <vector>

#include "sequences/reading/iq.hpp"
#include "tests/sequences/signal/quick_noise.hpp"

namespace nightbench::reading::test {

inline constexpr double pi = std::numbers::pi;

struct BoardOut {
  double if_hz = 5000.0;  // signed: f_RF - f_LO
  double amplitude_v = 0.9;
  double gain_ratio = 1.0;  // Q over I
  double phi_rad = 0.0;     // |Delta| - pi/2
  int sense = -1;           // -1: Q leads for if_hz > 0
  double i_offset_v = 2.51;
  double q_offset_v = 2.49;
  double phase_rad = 0.4;
  double second = 0.0;  // harmonics of both channels, relative
  double third = 0.0;
  double noise_v = 0.0;         // rms, each channel
  double drift_hz_per_s = 0.0;  // of the IF
  double fade_per_s = 0.0;      // relative loss of amplitude
  double other_hz = 0.0;        // a second line
  double other_v = 0.0;
  double clip_low_v = -1e9;  // rails of the output
  double clip_high_v = 1e9;
};

struct ScopeErrors {
  double i_gain = 1.0;
  double q_gain = 1.0;
  double q_late_s = 0.0;   // skew
  double time_base = 0.0;  // relative: the true interval is dt (1 + time_base)
  double i_offset_v = 0.0;
  double q_offset_v = 0.0;
};

struct ScopeSetting {
  std::size_t points = 2000;
  double dt_s = 1e-6;
  double volts_per_code = 0.02;  // 8 bits
  double centre_v = 2.5;
  double q_starts_s = 0.0;  // t0 of Q after that of I
};

struct Captured {
  std::vector<std::int8_t> i_codes;
  std::vector<std::int8_t> q_codes;
  ScopeSetting setting;

  signal::Trace i() const { return trace(i_codes, 0.0); }
  signal::Trace q() const { return trace(q_codes, setting.q_starts_s); }

 private:
  signal::Trace trace(const std::vector<std::int8_t>& codes, double t0_s) const {
    signal::Trace t = signal::trace_of(std::span<const std::int8_t>(codes), setting.dt_s, t0_s);
    t.volts_per_code = setting.volts_per_code;
    t.offset_v = setting.centre_v;
    t.limits = signal::ConverterLimits{-128.0, 127.0};
    return t;
  }
};

inline double board_volts(const BoardOut& b, bool q, double t) {
  const double f = b.if_hz + 0.5 * b.drift_hz_per_s * t;
  // s g sin(x - phi) in cosines: Q lags I by 90 deg + phi for s = +1 and a rising x.
  const double turning = (b.if_hz >= 0.0 ? 1.0 : -1.0) * b.sense;
  double x = 2.0 * pi * std::abs(f) * t + b.phase_rad;
  if (q) x -= turning * (0.5 * pi + b.phi_rad);
  const double a = b.amplitude_v * (q ? b.gain_ratio : 1.0) * (1.0 - b.fade_per_s * t);
  double v = (q ? b.q_offset_v : b.i_offset_v) +
             a * (std::cos(x) + b.second * std::cos(2.0 * x + 1.0) + b.third * std::cos(3.0 * x));
  if (b.other_v > 0.0) v += b.other_v * std::cos(2.0 * pi * b.other_hz * t + (q ? 1.0 : 0.2));
  return std::clamp(v, b.clip_low_v, b.clip_high_v);
}

inline Captured capture(const BoardOut& b, const ScopeErrors& e, const ScopeSetting& setting,
                        signal::test::QuickNoise& random) {
  Captured c;
  c.setting = setting;
  const auto code = [&](double volts) {
    const double raw = std::rint((volts - setting.centre_v) / setting.volts_per_code);
    return static_cast<std::int8_t>(std::clamp(raw, -128.0, 127.0));
  };
  for (std::size_t n = 0; n < setting.points; ++n) {
    const double t = static_cast<double>(n) * setting.dt_s * (1.0 + e.time_base);
    const double tq = t + setting.q_starts_s - e.q_late_s;
    const double i = board_volts(b, false, t) + b.noise_v * random.normal();
    const double q = board_volts(b, true, tq) + b.noise_v * random.normal();
    c.i_codes.push_back(code(e.i_gain * i + e.i_offset_v));
    c.q_codes.push_back(code(e.q_gain * q + e.q_offset_v));
  }
  return c;
}

inline Captured capture(const BoardOut& b, const ScopeSetting& setting = {},
                        std::uint64_t seed = 1) {
  signal::test::QuickNoise random(seed);
  return capture(b, {}, setting, random);
}

inline IqContext context_for(const BoardOut& b) {
  IqContext context;
  context.lo_hz = 10.120e6;
  context.rf_hz = context.lo_hz + b.if_hz;
  context.level_dbm = -40.0;
  context.sense = b.sense;
  return context;
}

}  // namespace nightbench::reading::test
