// How to set the scope for a pair: range, time base and record from the expected IF and level, and
// the next try when a capture shows that the range was wrong. Pure.
//
// Targets (common practice, no source): 25 periods of the IF in the record; peak to peak between 30
// and 85 % of the converter's range, 70 % aimed at; the same range on both channels, because their
// gain ratio depends on it.
#pragma once

#include <cstddef>
#include <optional>

namespace nightbench::engine {

struct Expectation {
  double if_hz = 0;         // magnitude
  double amplitude_v = 0;   // peak of the larger channel; <= 0 when nothing is known
  double offset_v = 0;      // DC under it
  double periods = 25;      // wanted in the record, at least 10 are kept
  std::size_t points = 10'000;
};

struct CaptureSettings {
  double sample_rate_hz = 0;
  std::size_t points = 0;
  double full_scale_v = 0;  // peak to peak over the whole converter
  double offset_v = 0;      // volts in the middle of the range
};

CaptureSettings plan_capture(const Expectation& expected);

// The largest step 1, 2 or 5 times a power of ten that is not above `value` (> 0).
double step_at_or_below(double value);
// The smallest such step that is not below `value` (> 0).
double step_at_or_above(double value);

// The settings that stand, when a capture as expected fits them too (the sample rate and points of
// `wanted`, 35 to 80 % of the range): another range is commands, settling and another range error.
// `actual_full_scale_v` is what the scope made of `standing`.
CaptureSettings keep_standing(const CaptureSettings& wanted, const CaptureSettings& standing,
                              double actual_full_scale_v, const Expectation& expected);

// What a capture showed, in volts, over both channels.
struct Seen {
  double lowest_v = 0, highest_v = 0;
  double widest_v = 0;  // the larger peak to peak of the two
  bool clipped = false;  // a code at the converter's limit
};

constexpr int kMostRangeTries = 6;

// Other settings worth a new capture, or nothing when this one is as good as the scope can do.
// `actual_full_scale_v` is what the scope made of `settings`.
std::optional<CaptureSettings> replan(const CaptureSettings& settings, double actual_full_scale_v,
                                      const Seen& seen);

}  // namespace nightbench::engine
