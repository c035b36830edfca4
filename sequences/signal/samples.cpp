#include "sequences/signal/samples.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <type_traits>

namespace nightbench::signal {
namespace {

template <typename T>
Extremes extremes_of(const T* codes, const Trace& trace) {
  Extremes found;
  found.first_bad = trace.size;
  // Integer comparisons for integer codes; a limit outside the type is never met.
  double lowest = std::numeric_limits<double>::infinity();
  double highest = -lowest;
  T low = codes[0];
  T high = codes[0];
  const T* at = codes;
  for (std::size_t n = 0; n < trace.size; ++n, at += trace.stride) {
    if constexpr (std::is_floating_point_v<T>) {
      if (!std::isfinite(*at)) {
        if (found.first_bad == trace.size) found.first_bad = n;
        continue;
      }
      lowest = std::min(lowest, static_cast<double>(*at));
      highest = std::max(highest, static_cast<double>(*at));
    } else {
      low = std::min(low, *at);
      high = std::max(high, *at);
    }
  }
  if constexpr (!std::is_floating_point_v<T>) {
    lowest = static_cast<double>(low);
    highest = static_cast<double>(high);
  }
  found.lowest_code = lowest;
  found.highest_code = highest;
  if (trace.limits && (lowest <= trace.limits->lowest || highest >= trace.limits->highest)) {
    at = codes;
    for (std::size_t n = 0; n < trace.size; ++n, at += trace.stride) {
      const auto code = static_cast<double>(*at);
      if (code <= trace.limits->lowest) ++found.at_lowest_limit;
      if (code >= trace.limits->highest) ++found.at_highest_limit;
    }
  }
  return found;
}

template <typename T>
void read(const T* at, std::ptrdiff_t stride, double scale, double offset, std::span<double> out) {
  if (stride == 1) {
    for (std::size_t n = 0; n < out.size(); ++n) {
      out[n] = offset + scale * static_cast<double>(at[n]);
    }
    return;
  }
  for (double& volt : out) {
    volt = offset + scale * static_cast<double>(*at);
    at += stride;
  }
}

}  // namespace

const char* name(TroubleKind kind) {
  switch (kind) {
    case TroubleKind::bad_arguments:
      return "bad arguments";
    case TroubleKind::too_few_points:
      return "too few points";
    case TroubleKind::too_few_periods:
      return "too few periods";
    case TroubleKind::bad_samples:
      return "bad samples";
    case TroubleKind::no_tone:
      return "no tone";
    case TroubleKind::out_of_band:
      return "out of band";
    case TroubleKind::not_converged:
      return "not converged";
  }
  return "unknown";
}

Trace part(const Trace& trace, std::size_t first, std::size_t count) {
  Trace some = trace;
  first = std::min(first, trace.size);
  some.size = std::min(count, trace.size - first);
  some.t0_s = trace.t0_s + trace.dt_s * static_cast<double>(first);
  std::visit(
      [&](auto* codes) { some.codes = codes + static_cast<std::ptrdiff_t>(first) * trace.stride; },
      trace.codes);
  return some;
}

Trace thinned(const Trace& trace, std::size_t step) {
  Trace some = trace;
  step = std::max<std::size_t>(step, 1);
  some.size = (trace.size + step - 1) / step;
  some.stride = trace.stride * static_cast<std::ptrdiff_t>(step);
  some.dt_s = trace.dt_s * static_cast<double>(step);
  return some;
}

void read_volts(const Trace& trace, std::size_t first, std::span<double> out, double pivot_v) {
  std::visit(
      [&](auto* codes) {
        read(codes + static_cast<std::ptrdiff_t>(first) * trace.stride, trace.stride,
             trace.volts_per_code, trace.offset_v - pivot_v, out);
      },
      trace.codes);
}

double volt_at(const Trace& trace, std::size_t index) {
  double volt = 0.0;
  read_volts(trace, index, std::span(&volt, 1));
  return volt;
}

Extremes extremes(const Trace& trace) {
  if (trace.size == 0) return {};
  Extremes found = std::visit([&](auto* codes) { return extremes_of(codes, trace); }, trace.codes);
  const double a = trace.offset_v + trace.volts_per_code * found.lowest_code;
  const double b = trace.offset_v + trace.volts_per_code * found.highest_code;
  found.lowest_v = std::min(a, b);
  found.highest_v = std::max(a, b);
  return found;
}

}  // namespace nightbench::signal
