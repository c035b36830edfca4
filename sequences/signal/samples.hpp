// One channel of a capture, seen where it lies.
//
// A Trace owns nothing: it points at the codes as the instrument sent them and says how to read
// them. Volts are `offset_v + code * volts_per_code`; sample n was taken at `t0_s + n * dt_s`.
// Each channel has its own t0 and dt, because index n need not be one instant for two channels.
// The caller keeps the codes alive; reading a Trace from several threads is safe.
#pragma once

#include <cstddef>
#include <cstdint>
#include <expected>
#include <optional>
#include <span>
#include <string>
#include <variant>

namespace nightbench::signal {

// Why a computation gave no number. `detail` holds the numbers that decided it.
enum class TroubleKind : std::uint8_t {
  bad_arguments,    // a sample interval, frequency or option that cannot be
  too_few_points,   // fewer samples than the unknowns need
  too_few_periods,  // the record is too short for the frequency
  bad_samples,      // a sample is infinite or not a number
  no_tone,          // no line stands clear of the noise
  out_of_band,      // the frequency is at or beyond half of the sample rate, or folds on a harmonic
  not_converged,    // the iteration left the main lobe, grew its residual or did not settle
};

struct Trouble {
  TroubleKind kind = TroubleKind::bad_arguments;
  std::string detail;
};

// The stable word for a kind: "too few points" ...
const char* name(TroubleKind kind);

template <typename T>
using Expected = std::expected<T, Trouble>;

// The codes a converter gives for voltages at or beyond its range, in codes.
struct ConverterLimits {
  double lowest = 0.0;
  double highest = 0.0;
};

using Codes = std::variant<const double*, const float*, const std::int16_t*, const std::int8_t*,
                           const std::uint8_t*>;

struct Trace {
  Codes codes;
  std::size_t size = 0;       // samples
  std::ptrdiff_t stride = 1;  // elements from one sample to the next; 2 for interleaved I and Q
  double volts_per_code = 1.0;
  double offset_v = 0.0;  // volts at code 0
  double t0_s = 0.0;      // instant of sample 0, seconds on a clock that both channels share
  double dt_s = 1.0;      // seconds from one sample to the next, > 0
  std::optional<ConverterLimits> limits;  // none: codes are not from a converter, or are processed

  double end_s() const { return t0_s + dt_s * static_cast<double>(size > 0 ? size - 1 : 0); }
  double centre_s() const { return 0.5 * (t0_s + end_s()); }
  double span_s() const { return dt_s * static_cast<double>(size); }
};

// A view of contiguous samples: trace_of(std::span(codes), dt_s). `stride` and `first` pick one
// channel of interleaved data.
template <typename T>
Trace trace_of(std::span<const T> codes, double dt_s, double t0_s = 0.0, std::size_t stride = 1,
               std::size_t first = 0) {
  Trace trace;
  trace.codes = codes.data() + first;
  trace.size = codes.size() > first ? (codes.size() - first + stride - 1) / stride : 0;
  trace.stride = static_cast<std::ptrdiff_t>(stride);
  trace.t0_s = t0_s;
  trace.dt_s = dt_s;
  return trace;
}

// `count` samples from `first` on, with t0 moved; fewer when the trace ends earlier.
Trace part(const Trace& trace, std::size_t first, std::size_t count);

// Every `step`-th sample, starting with sample 0.
Trace thinned(const Trace& trace, std::size_t step);

// Writes the volts of samples first .. first + out.size() - 1, less `pivot_v`.
// first + out.size() must not exceed trace.size.
void read_volts(const Trace& trace, std::size_t first, std::span<double> out, double pivot_v = 0.0);

// Volts of one sample.
double volt_at(const Trace& trace, std::size_t index);

// Lowest and highest volts and codes, how often a converter limit was met, and the first sample
// that is not a finite number (none: size). One pass, no copy.
struct Extremes {
  double lowest_v = 0.0;
  double highest_v = 0.0;
  double lowest_code = 0.0;
  double highest_code = 0.0;
  std::size_t at_lowest_limit = 0;   // samples at or below limits->lowest
  std::size_t at_highest_limit = 0;  // samples at or above limits->highest
  std::size_t first_bad = 0;
};
Extremes extremes(const Trace& trace);

}  // namespace nightbench::signal
