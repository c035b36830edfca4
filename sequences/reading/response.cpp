#include "sequences/reading/response.hpp"

#include <fmt/core.h>

#include <algorithm>
#include <cmath>
#include <numbers>

namespace nightbench::reading {
namespace {

constexpr double two_pi = 2.0 * std::numbers::pi;

void sort_by_x(std::vector<Point>& points) {
  std::sort(points.begin(), points.end(), [](const Point& a, const Point& b) { return a.x < b.x; });
}

// x where the straight line from a to b meets `level_y`, as a reading; the uncertainty of y there
// and of the level divided by the slope.
Reading crossing(const Point& a, const Point& b, double level_y, double u_level,
                 std::string quantity, std::string unit) {
  const double share = (level_y - a.y) / (b.y - a.y);
  const double slope = (b.y - a.y) / (b.x - a.x);
  const double u_y = std::hypot((1.0 - share) * a.u, share * b.u);
  Budget budget;
  budget.add_a("points beside the crossing", u_y, infinite_dof, 1.0 / std::abs(slope));
  budget.add_a("reference level", u_level, infinite_dof, 1.0 / std::abs(slope));
  return make_reading(std::move(quantity), a.x + share * (b.x - a.x), std::move(unit),
                      std::move(budget));
}

struct Level {
  double y = 0.0;
  double u = 0.0;
};

Level mean_of(std::span<const Point> points) {
  Level level;
  double squares = 0.0;
  const auto n = static_cast<double>(points.size());
  for (const Point& point : points) {
    level.y += point.y / n;
    squares += point.u * point.u;
  }
  level.u = std::sqrt(squares) / n;
  return level;
}

}  // namespace

Edges edges(std::vector<Point> response, double drop_db, std::optional<double> reference_db) {
  const auto none = [](const char* why) { return no_reading(Reason::not_measured, why); };
  Edges found{none("no points"), none("no points"), none("no points")};
  if (response.size() < 3) return found;
  sort_by_x(response);
  const auto top = std::max_element(response.begin(), response.end(),
                                    [](const Point& a, const Point& b) { return a.y < b.y; });
  const double level = reference_db.value_or(top->y) - drop_db;
  const double u_level = reference_db ? 0.0 : top->u;
  const auto outside = [&](const Point& last, const char* side) {
    return no_reading(Reason::not_measured,
                      fmt::format("the {} edge lies beyond the points: {:.4g} dB at {:.8g}, {:.4g} "
                                  "dB is the edge",
                                  side, last.y, last.x, level));
  };
  found.lower = outside(response.front(), "lower");
  for (auto at = top; at != response.begin(); --at) {
    const auto before = std::prev(at);
    if (before->y < level && at->y >= level) {
      found.lower = crossing(*before, *at, level, u_level, "lower_edge_hz", "Hz");
      break;
    }
  }
  found.upper = outside(response.back(), "upper");
  for (auto at = top; std::next(at) != response.end(); ++at) {
    const auto after = std::next(at);
    if (after->y < level && at->y >= level) {
      found.upper = crossing(*at, *after, level, u_level, "upper_edge_hz", "Hz");
      break;
    }
  }
  if (found.lower && found.upper) {
    Budget budget;
    budget.add_a("lower edge", found.lower->U / found.lower->k);
    budget.add_a("upper edge", found.upper->U / found.upper->k);
    found.width =
        make_reading("width_hz", found.upper->value - found.lower->value, "Hz", std::move(budget));
  } else {
    found.width = std::unexpected(found.lower ? found.upper.error() : found.lower.error());
  }
  return found;
}

Outcome ripple_db(std::span<const Point> response, double low_x, double high_x) {
  std::vector<Point> inside;
  for (const Point& point : response) {
    if (point.x >= low_x && point.x <= high_x) inside.push_back(point);
  }
  if (inside.size() < 3) {
    return no_reading(Reason::not_measured, fmt::format("{} points between {:.8g} and {:.8g}, 3 "
                                                        "needed",
                                                        inside.size(), low_x, high_x));
  }
  const auto [low, high] = std::minmax_element(
      inside.begin(), inside.end(), [](const Point& a, const Point& b) { return a.y < b.y; });
  Budget budget;
  budget.add_a("highest point", high->u);
  budget.add_a("lowest point", low->u);
  return make_reading("ripple_db", high->y - low->y, "dB", std::move(budget));
}

Outcome corner_hz(std::vector<Point> response, double drop_db) {
  if (response.size() < 4) {
    return no_reading(Reason::not_measured, fmt::format("{} points, 4 needed", response.size()));
  }
  sort_by_x(response);
  const std::size_t flat = std::max<std::size_t>(2, response.size() / 4);
  const Level level = mean_of(std::span(response).first(flat));
  const double wanted = level.y - drop_db;
  for (std::size_t n = flat; n < response.size(); ++n) {
    if (response[n].y < wanted && response[n - 1].y >= wanted) {
      return crossing(response[n - 1], response[n], wanted, level.u, "if_corner_hz", "Hz");
    }
  }
  return no_reading(Reason::not_measured,
                    fmt::format("the response is {:.3g} dB below its start at the last point "
                                "{:.6g} Hz, {:.3g} dB is the corner",
                                level.y - response.back().y, response.back().x, drop_db));
}

Compression compression(std::vector<Point> sweep, double fit_range_db) {
  Compression found{no_reading(Reason::not_measured, "fewer than 4 levels"),
                    no_reading(Reason::not_measured, "fewer than 4 levels")};
  if (sweep.size() < 4) return found;
  sort_by_x(sweep);
  // Gain against input level. The small-signal line has slope 1, so its gain is a mean.
  for (Point& point : sweep) point.y -= point.x;
  std::size_t low = 0;
  while (low < sweep.size() && sweep[low].x <= sweep.back().x - fit_range_db) ++low;
  low = std::clamp<std::size_t>(low, 2, sweep.size() - 2);
  const Level small = mean_of(std::span(sweep).first(low));
  Budget budget;
  budget.add_a("points of the line", small.u);
  found.small_signal_gain = make_reading("small_signal_gain_db", small.y, "dB", std::move(budget));
  const double wanted = small.y - 1.0;
  for (std::size_t n = 1; n < sweep.size(); ++n) {
    if (sweep[n].y < wanted && sweep[n - 1].y >= wanted) {
      found.input_dbm =
          crossing(sweep[n - 1], sweep[n], wanted, small.u, "compression_input_dbm", "dBm");
      return found;
    }
  }
  found.input_dbm =
      no_reading(Reason::not_measured,
                 fmt::format("compressed by {:.3g} dB at the highest level {:.4g} dBm: above it",
                             small.y - sweep.back().y, sweep.back().x));
  return found;
}

FrequencyErrors frequency_errors(const SignedIf& above, const SignedIf& below, double lo_set_hz,
                                 double u_source_rel) {
  FrequencyErrors found{no_reading(Reason::not_measured, ""), no_reading(Reason::not_measured, "")};
  const double apart = above.rf_set_hz - below.rf_set_hz;
  if (!(std::abs(apart) > 0.0)) {
    const std::string why = "both settings of the source are the same";
    found.lo_error_hz = no_reading(Reason::not_measured, why);
    found.rf_error_hz = found.lo_error_hz;
    return found;
  }
  const double middle_rf = 0.5 * (above.rf_set_hz + below.rf_set_hz);
  const double spacing = above.signed_if_hz - below.signed_if_hz - apart;  // r times apart
  const double r = spacing / apart;
  const double u_spacing = std::hypot(above.u_hz, below.u_hz);
  Budget rf;
  rf.add_a("IF above", above.u_hz, infinite_dof, middle_rf / apart);
  rf.add_a("IF below", below.u_hz, infinite_dof, middle_rf / apart);
  found.rf_error_hz = make_reading("rf_error_hz", r * middle_rf, "Hz", std::move(rf));
  // The spacing says little about r when the settings are close: then the source's own statement
  // is the better one, and its error is charged to the LO's uncertainty.
  const double u_r = u_spacing / std::abs(apart);
  const bool use_spacing = u_r < u_source_rel;
  const double mean_if = 0.5 * (above.signed_if_hz + below.signed_if_hz);
  const double rf_error = use_spacing ? r * middle_rf : 0.0;
  Budget lo;
  lo.add_a("mean of both IFs", 0.5 * u_spacing);
  if (use_spacing) {
    lo.add_a("source, from the spacing", u_r, infinite_dof, middle_rf);
  } else {
    lo.add_b("source frequency", u_source_rel, Distribution::normal, middle_rf);
  }
  found.lo_error_hz =
      make_reading("lo_error_hz", middle_rf + rf_error - mean_if - lo_set_hz, "Hz", std::move(lo));
  return found;
}

SideSplit split_sides(double above_deg, double below_deg, double if_hz, int sense,
                      double u_each_deg) {
  SideSplit split;
  split.lo_phase_error_deg = sense * (below_deg - above_deg) / 2.0 - 90.0;
  split.delay_phase_deg = -(above_deg + below_deg) / 2.0;
  split.delay_s = split.delay_phase_deg / 360.0 / if_hz;
  split.u_deg = u_each_deg / std::numbers::sqrt2;
  return split;
}

SwapMatch swap_match(std::complex<double> straight, std::complex<double> swapped,
                     double expected_deg) {
  std::complex<double> board = std::sqrt(straight * swapped);
  const std::complex<double> expected = std::polar(1.0, expected_deg * std::numbers::pi / 180.0);
  if ((board * std::conj(expected)).real() < 0.0) board = -board;
  return {board, straight / board};
}

std::expected<NodeMatch, NoReading> node_match(std::span<const Ratio> ratios) {
  if (ratios.empty()) return no_reading(Reason::not_measured, "no frequencies");
  // ln|c| = mean, arg c = -2 pi f tau through the origin.
  const auto n = static_cast<double>(ratios.size());
  double mean = 0.0;
  double ff = 0.0;
  double fp = 0.0;
  double u_ln = 0.0;
  double u_fp = 0.0;
  for (const Ratio& ratio : ratios) {
    if (!(std::abs(ratio.ratio) > 0.0) || !(ratio.frequency_hz > 0.0)) {
      return no_reading(Reason::not_measured,
                        fmt::format("no ratio at {:.6g} Hz", ratio.frequency_hz));
    }
    mean += std::log(std::abs(ratio.ratio)) / n;
    u_ln += ratio.u_rel * ratio.u_rel / n / n;
    const double w = two_pi * ratio.frequency_hz;
    ff += w * w;
    fp -= w * std::arg(ratio.ratio);
    u_fp += w * w * ratio.u_rel * ratio.u_rel;
  }
  NodeMatch match;
  const double db = 20.0 / std::numbers::ln10;
  match.gain_ratio_db = db * mean;
  match.skew_s = fp / ff;
  double scatter_ln = 0.0;
  double scatter_phase = 0.0;
  for (const Ratio& ratio : ratios) {
    const double w = two_pi * ratio.frequency_hz;
    scatter_ln += std::pow(std::log(std::abs(ratio.ratio)) - mean, 2);
    scatter_phase += std::pow(std::arg(ratio.ratio) + w * match.skew_s, 2);
  }
  const double freedom = std::max(1.0, n - 1.0);
  match.u_gain_ratio_db = db * std::sqrt(std::max(u_ln, n > 1.0 ? scatter_ln / freedom / n : 0.0));
  match.u_skew_s =
      std::sqrt(std::max(u_fp / ff / ff, n > 1.0 ? scatter_phase / freedom / ff : 0.0));
  return match;
}

Outcome drift_per_hour(std::span<const Point> points, std::string quantity, std::string unit) {
  if (points.size() < 3) {
    return no_reading(Reason::not_measured, fmt::format("{} points, 3 needed", points.size()));
  }
  const auto n = static_cast<double>(points.size());
  double mean_x = 0.0;
  double mean_y = 0.0;
  for (const Point& point : points) {
    mean_x += point.x / n;
    mean_y += point.y / n;
  }
  double xx = 0.0;
  double xy = 0.0;
  double from_u = 0.0;
  for (const Point& point : points) {
    const double x = point.x - mean_x;
    xx += x * x;
    xy += x * (point.y - mean_y);
    from_u += x * x * point.u * point.u;
  }
  if (!(xx > 0.0)) return no_reading(Reason::not_measured, "all points at one time");
  const double slope = xy / xx;
  double squares = 0.0;
  for (const Point& point : points) {
    squares += std::pow(point.y - mean_y - slope * (point.x - mean_x), 2);
  }
  constexpr double hour = 3600.0;
  const double scatter = std::sqrt(squares / (n - 2.0) / xx);
  const double known = std::sqrt(from_u) / xx;
  Budget budget;
  if (scatter >= known) {
    budget.add_a("scatter about the line", scatter, n - 2.0, hour);
  } else {
    budget.add_a("uncertainty of the points", known, infinite_dof, hour);
  }
  return make_reading(std::move(quantity), slope * hour, std::move(unit), std::move(budget));
}

}  // namespace nightbench::reading
