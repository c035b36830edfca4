#include "sequences/signal/tone.hpp"

#include <algorithm>

namespace nightbench::signal {
namespace {

// `count` samples around the middle.
Trace middle(const Trace& trace, std::size_t count) {
  if (count >= trace.size) return trace;
  return part(trace, (trace.size - count) / 2, count);
}

// Calls `fit` with growing sizes below `whole`, from `searched` on.
template <typename Fit>
Expected<double> grow(double start_hz, std::size_t searched, std::size_t whole, Fit fit) {
  for (std::size_t size = searched; size < whole; size = std::min(whole, size * 8)) {
    Expected<double> better = fit(start_hz, size);
    if (!better) return better;
    start_hz = *better;
  }
  return start_hz;
}

}  // namespace

Expected<double> start_frequency_hz(const Trace& first, const Trace& second,
                                    const StartOptions& start) {
  const Expected<StartValue> found = starting_value(first, second, start);
  if (!found) return std::unexpected(found.error());
  const std::size_t whole = std::max(first.size, second.size);
  return grow(found->frequency_hz, std::min(start.most_points, whole), whole,
              [&](double from_hz, std::size_t size) -> Expected<double> {
                const Expected<TwoChannelFit> fit =
                    two_channel_fit(middle(first, size), middle(second, size), from_hz);
                if (!fit) return std::unexpected(fit.error());
                return fit->frequency_hz;
              });
}

Expected<SineFit> find_and_fit(const Trace& trace, const StartOptions& start,
                               const FitOptions& options) {
  const Expected<StartValue> found = starting_value(trace, start);
  if (!found) return std::unexpected(found.error());
  const Expected<double> from_hz =
      grow(found->frequency_hz, std::min(start.most_points, trace.size), trace.size,
           [&](double hz, std::size_t size) -> Expected<double> {
             const Expected<SineFit> fit = four_parameter_fit(middle(trace, size), hz);
             if (!fit) return std::unexpected(fit.error());
             return fit->frequency_hz;
           });
  if (!from_hz) return std::unexpected(from_hz.error());
  return four_parameter_fit(trace, *from_hz, options);
}

Expected<TwoChannelFit> find_and_fit(const Trace& first, const Trace& second,
                                     const StartOptions& start, const TwoChannelOptions& options) {
  const Expected<double> from_hz = start_frequency_hz(first, second, start);
  if (!from_hz) return std::unexpected(from_hz.error());
  return two_channel_fit(first, second, *from_hz, options);
}

}  // namespace nightbench::signal
