#include "sequences/reading/channel_ratio.hpp"

#include <fmt/core.h>

#include <algorithm>
#include <cmath>
#include <numbers>

#include "sequences/signal/two_channel_fit.hpp"

namespace nightbench::reading {
namespace {

constexpr double kClearOfNoise = 20;  // amplitude over its standard uncertainty
constexpr double kMostApart_db = 3;
constexpr double kMostApart_deg = 10;
constexpr double kDegrees = 180 / std::numbers::pi;
constexpr double kNeper_db = 20 / std::numbers::ln10;
constexpr int kHarmonics = 5;

bool clipped(const signal::Trace& trace) {
  const signal::Extremes found = signal::extremes(trace);
  return found.at_lowest_limit + found.at_highest_limit > 0;
}

ChannelRatio refused(const NoReading& why) {
  return {std::unexpected(why), std::unexpected(why)};
}

// Mean of repeats with the larger of their spread and of what the fits say.
Outcome mean_of(const char* quantity, const char* unit, const std::vector<double>& values,
                double u_of_one) {
  const double n = static_cast<double>(values.size());
  double mean = 0;
  for (const double each : values) mean += each / n;
  Budget budget;
  const double u_fit = u_of_one / std::sqrt(n);
  if (values.size() > 1) {
    const TypeA spread = type_a(values);
    if (spread.u > u_fit)
      budget.add_a("spread of captures", spread.u, spread.dof);
    else
      budget.add_a("noise", u_fit);
  } else {
    budget.add_a("noise", u_fit);
  }
  return make_reading(quantity, mean, unit, std::move(budget));
}

}  // namespace

ChannelRatio channel_ratio(const std::vector<TracePair>& captures, double expected_hz) {
  if (captures.empty()) return {};
  signal::TwoChannelOptions options;
  options.harmonics = kHarmonics;
  std::vector<double> gains_db;
  std::vector<double> phases_deg;
  double u_gain_db = 0;
  double u_phase_deg = 0;
  for (const TracePair& each : captures) {
    if (clipped(each.first) || clipped(each.second)) {
      return refused({Reason::clipped, "a channel reaches the end of the converter"});
    }
    const auto fit = signal::two_channel_fit(each.first, each.second, expected_hz, options);
    if (!fit) return refused(from(fit.error()));
    for (const signal::ChannelTone* tone : {&fit->first, &fit->second}) {
      if (tone->amplitude_v > kClearOfNoise * tone->u_amplitude_v) continue;
      return refused({Reason::empty, fmt::format("a channel shows no tone at {:g} Hz", expected_hz)});
    }
    gains_db.push_back(kNeper_db * fit->ln_ratio);
    phases_deg.push_back(kDegrees * fit->phase_difference_rad);
    u_gain_db = std::max(u_gain_db, kNeper_db * fit->u_ln_ratio);
    u_phase_deg = std::max(u_phase_deg, kDegrees * fit->u_phase_difference_rad);
    if (std::fabs(gains_db.back()) > kMostApart_db ||
        std::fabs(phases_deg.back()) > kMostApart_deg) {
      return refused({Reason::channels_disagree,
                      fmt::format("the channels are {:.2f} dB and {:.2f} deg apart: they do not see "
                                  "one node",
                                  gains_db.back(), phases_deg.back())});
    }
  }
  return {mean_of("match_gain", "dB", gains_db, u_gain_db),
          mean_of("match_phase", "deg", phases_deg, u_phase_deg)};
}

}  // namespace nightbench::reading
