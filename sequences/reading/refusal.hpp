// When a capture gives no reading: the criteria, one function each, thresholds in one place.
//
// The thresholds are common practice without a published source unless the comment says otherwise.
// Every function returns the refusal with its numbers, or nothing when the capture is good.
// Units: Hz, seconds, volts, dB. Pure.
#pragma once

#include <cstddef>
#include <optional>
#include <span>
#include <vector>

#include "sequences/reading/reading.hpp"
#include "sequences/signal/samples.hpp"
#include "sequences/signal/sine_fit.hpp"
#include "sequences/signal/spectrum.hpp"
#include "sequences/signal/two_channel_fit.hpp"

namespace nightbench::reading {

struct RefusalLimits {
  // Length and sampling. Five periods: recommendation of IEEE 1057 and 1241, from memory.
  double fewest_periods = 5.0;
  double fewest_points_a_period = 2.5;  // the fit needs no more, as long as no alias coincides
  std::size_t fewest_points = 64;
  double highest_over_rate = 0.4;  // of the sample rate

  // Presence.
  double false_alarm = 1e-6;
  double detection_margin_db = 10.0;
  double fewest_lsb = 5.0;       // amplitude in codes
  double silent_below_v = 1e-3;  // a channel with less amplitude is dead

  // One clean line.
  double least_sinad_db = 20.0;
  double interference_db = 10.0;     // another line less than this below the wanted one
  double flat_share_ratio = 2.0;     // samples at an extreme over what a sine has there
  double flat_harmonic_dbc = -60.0;  // and a harmonic 2..5 above this: clipped in the device

  // The right line.
  double unlocked_budget_k = 3.0;  // times the standard uncertainty of the expected IF
  double unlocked_floor_hz = 1.0;  // never tighter than this

  // Steady.
  double drift_k = 3.0;           // times sqrt 2 u of half a record
  double drift_floor_rel = 1e-4;  // of the IF: less frequency drift is never refused
  double quarter_spread = 0.01;   // relative spread of the amplitudes of quarters

  // Two channels of one tone.
  double channels_frequency_k = 5.0;
  double channels_ratio_db = 6.0;  // beyond: a finding, not a refusal
  double channels_angle_deg = 30.0;
};

std::optional<NoReading> refuse_bad_samples(const signal::Trace& trace, const char* channel);

// Any code at a limit of the converter.
std::optional<NoReading> refuse_clipped_converter(const signal::Trace& trace, const char* channel);

// Flat tops or bottoms inside the converter's range: too many samples within a small band of an
// extreme for the fitted sine, together with a harmonic.
std::optional<NoReading> refuse_clipped_device(const signal::Trace& trace, double frequency_hz,
                                               const signal::ChannelTone& tone,
                                               const RefusalLimits& limits, const char* channel);

// Periods and points for a tone at `frequency_hz`.
std::optional<NoReading> refuse_short(const signal::Trace& trace, double frequency_hz,
                                      const RefusalLimits& limits);

// Above limits.highest_over_rate, or a wanted frequency that this rate folds onto `measured_hz`.
std::optional<NoReading> refuse_aliased(const signal::Trace& trace, double measured_hz,
                                        std::optional<double> expected_hz,
                                        const RefusalLimits& limits);

// Two sample rates, two apparent frequencies: good when they agree within 3 u of their difference.
// Otherwise a refusal that lists the frequencies up to `highest_hz` that show as both.
std::optional<NoReading> refuse_aliased_pair(double rate1_hz, double apparent1_hz, double rate2_hz,
                                             double apparent2_hz, double u_hz, double highest_hz);
std::vector<double> alias_candidates_hz(double rate1_hz, double apparent1_hz, double rate2_hz,
                                        double apparent2_hz, double tolerance_hz,
                                        double highest_hz);

// |measured - |f_RF - f_LO|| beyond k u.
std::optional<NoReading> refuse_unlocked(double measured_hz, double expected_hz, double u_hz,
                                         const RefusalLimits& limits);

// The RF was stepped by `step_hz` (signed) and the signed IF moved by `moved_hz`.
std::optional<NoReading> refuse_not_following(double step_hz, double moved_hz, double u_hz,
                                              const RefusalLimits& limits);

// SINAD below the least.
std::optional<NoReading> refuse_not_a_tone(const signal::ChannelTone& tone,
                                           const RefusalLimits& limits, const char* channel);

// A line in the residual too close in level to the fundamental.
std::optional<NoReading> refuse_interfered(const signal::ChannelTone& tone,
                                           const signal::Line& largest_other,
                                           const RefusalLimits& limits, const char* channel);

// Halves and quarters of the record compared with the whole.
std::optional<NoReading> refuse_drifting(const signal::Trace& i, const signal::Trace& q,
                                         const signal::TwoChannelFit& whole,
                                         const RefusalLimits& limits);

// The two channels fitted alone give different frequencies.
std::optional<NoReading> refuse_channels_disagree(const signal::Trace& i, const signal::Trace& q,
                                                  const signal::TwoChannelFit& both,
                                                  const RefusalLimits& limits);
std::optional<NoReading> refuse_apart(const signal::SineFit& i, const signal::SineFit& q,
                                      const RefusalLimits& limits);

}  // namespace nightbench::reading
