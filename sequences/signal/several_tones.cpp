#include "sequences/signal/several_tones.hpp"

#include <fmt/core.h>

#include <cmath>
#include <numbers>

#include "sequences/signal/small_matrix.hpp"

namespace nightbench::signal {
namespace {

constexpr double two_pi = 2.0 * std::numbers::pi;
constexpr int most_steps = 200;

using Column = std::vector<double>;

double dot(const Column& a, const Column& b) {
  double sum = 0.0;
  for (std::size_t n = 0; n < a.size(); ++n) sum += a[n] * b[n];
  return sum;
}

// Least squares by normal equations; `inverse` becomes (X'X + lift)^-1 with `lift` times the
// diagonal added to columns from `lifted` on. Empty when the columns cannot be told apart.
std::vector<double> solve(const std::vector<Column>& columns, const Column& y, double lift,
                          std::size_t lifted, std::vector<double>& inverse) {
  const std::size_t p = columns.size();
  inverse.assign(p * p, 0.0);
  Column right(p);
  for (std::size_t a = 0; a < p; ++a) {
    for (std::size_t b = 0; b <= a; ++b) {
      inverse[a * p + b] = dot(columns[a], columns[b]);
      inverse[b * p + a] = inverse[a * p + b];
    }
    if (a >= lifted) inverse[a * p + a] *= 1.0 + lift;
    right[a] = dot(columns[a], y);
  }
  if (!invert_positive(inverse, p)) return {};
  std::vector<double> x(p, 0.0);
  for (std::size_t a = 0; a < p; ++a) {
    for (std::size_t b = 0; b < p; ++b) x[a] += inverse[a * p + b] * right[b];
  }
  return x;
}

class Search {
 public:
  Search(const Trace& trace, std::span<const ToneStart> starts)
      : starts_(starts), middle_s_(trace.centre_s()), half_s_(0.5 * trace.span_s()) {
    y_.resize(trace.size);
    read_volts(trace, 0, y_);
    for (std::size_t n = 0; n < trace.size; ++n) {
      t_.push_back(trace.t0_s + trace.dt_s * static_cast<double>(n) - middle_s_);
    }
    for (const ToneStart& start : starts) w_.push_back(two_pi * start.frequency_hz);
  }

  // Offset, then cosine and sine of each line, at frequencies w.
  std::vector<Column> linear_columns(const std::vector<double>& w) const {
    std::vector<Column> columns = {Column(y_.size(), 1.0)};
    for (double one : w) {
      Column c;
      Column s;
      for (double t : t_) {
        c.push_back(std::cos(one * t));
        s.push_back(std::sin(one * t));
      }
      columns.push_back(std::move(c));
      columns.push_back(std::move(s));
    }
    return columns;
  }

  // Adds dy / dw of the free lines, time in half spans.
  void add_slopes(std::vector<Column>& columns, const std::vector<double>& x) const {
    for (std::size_t k = 0; k < starts_.size(); ++k) {
      if (starts_[k].known) continue;
      Column e;
      for (std::size_t n = 0; n < t_.size(); ++n) {
        e.push_back(t_[n] / half_s_ *
                    (x[2 * k + 2] * columns[2 * k + 1][n] - x[2 * k + 1] * columns[2 * k + 2][n]));
      }
      columns.push_back(std::move(e));
    }
  }

  double squares(const std::vector<Column>& columns, const std::vector<double>& x) const {
    double sum = 0.0;
    for (std::size_t n = 0; n < y_.size(); ++n) {
      double rest = y_[n];
      for (std::size_t a = 0; a < x.size(); ++a) rest -= x[a] * columns[a][n];
      sum += rest * rest;
    }
    return sum;
  }

  Expected<SeveralTones> run();

 private:
  SeveralTones describe(std::vector<Column> columns, const std::vector<double>& x, double squares,
                        int steps) const;

  std::span<const ToneStart> starts_;
  double middle_s_;
  double half_s_;
  Column y_;
  Column t_;
  std::vector<double> w_;
};

Expected<SeveralTones> Search::run() {
  const auto same = [] {
    return std::unexpected(Trouble{TroubleKind::too_few_periods,
                                   "the lines cannot be told apart in a record of this length"});
  };
  std::vector<double> inverse;
  std::vector<Column> columns = linear_columns(w_);
  std::vector<double> x = solve(columns, y_, 0.0, columns.size(), inverse);
  if (x.empty()) return same();
  double now = squares(columns, x);
  if (!std::isfinite(now)) {
    return std::unexpected(
        Trouble{TroubleKind::bad_samples, "the record holds values that are not finite"});
  }
  double lift = 1e-3;
  for (int step = 1; step <= most_steps; ++step) {
    std::vector<Column> all = columns;
    add_slopes(all, x);
    if (all.size() == columns.size()) return describe(std::move(columns), x, now, step - 1);
    const std::vector<double> joint = solve(all, y_, lift, columns.size(), inverse);
    if (joint.empty()) return same();
    std::vector<double> moved = w_;
    double largest = 0.0;
    std::size_t at = columns.size();
    for (std::size_t k = 0; k < w_.size(); ++k) {
      if (starts_[k].known) continue;
      moved[k] += joint[at] / half_s_;
      largest = std::max(largest, std::abs(joint[at++]));
    }
    std::vector<Column> next = linear_columns(moved);
    const std::vector<double> next_x = solve(next, y_, 0.0, next.size(), inverse);
    if (next_x.empty()) return same();
    const double then = squares(next, next_x);
    if (then <= now * (1.0 + 1e-13)) {
      w_ = moved;
      columns = std::move(next);
      x = next_x;
      now = then;
      lift = std::max(lift * 0.1, 1e-12);
      if (largest < 1e-10) return describe(std::move(columns), x, now, step);
    } else {
      if (largest < 1e-10) return describe(std::move(columns), x, now, step);
      lift *= 10.0;
    }
  }
  return std::unexpected(
      Trouble{TroubleKind::not_converged, fmt::format("no rest after {} steps", most_steps)});
}

SeveralTones Search::describe(std::vector<Column> columns, const std::vector<double>& x,
                              double squares, int steps) const {
  SeveralTones found;
  found.steps = steps;
  found.residual_squares_v2 = squares;
  const std::size_t linear = columns.size();
  add_slopes(columns, x);
  const std::size_t p = columns.size();
  const double variance = squares / static_cast<double>(y_.size() - p);
  found.residual_std_v = std::sqrt(variance);
  std::vector<double> inverse;
  solve(columns, y_, 0.0, p, inverse);
  const auto covariance = [&](std::size_t a, std::size_t b) {
    return variance * inverse[a * p + b];
  };
  found.offset_v = x[0];
  found.u_offset_v = std::sqrt(covariance(0, 0));
  std::size_t slope = linear;
  for (std::size_t k = 0; k < w_.size(); ++k) {
    const std::size_t at = 2 * k + 1;
    FittedTone tone;
    tone.frequency_hz = w_[k] / two_pi;
    // From the middle of the record to the clock's zero: a turn by w * middle, which moves with w.
    const double turn = w_[k] * middle_s_;
    const double c = std::cos(turn);
    const double s = std::sin(turn);
    tone.cos_v = x[at] * c - x[at + 1] * s;
    tone.sin_v = x[at] * s + x[at + 1] * c;
    const bool known = starts_[k].known;
    const std::size_t w = known ? at : slope++;
    const double by_w_cos = known ? 0.0 : -middle_s_ * tone.sin_v / half_s_;
    const double by_w_sin = known ? 0.0 : middle_s_ * tone.cos_v / half_s_;
    const auto spread = [&](double ca, double cb, double cw) {
      return std::sqrt(ca * ca * covariance(at, at) + cb * cb * covariance(at + 1, at + 1) +
                       cw * cw * covariance(w, w) + 2.0 * ca * cb * covariance(at, at + 1) +
                       2.0 * ca * cw * covariance(at, w) + 2.0 * cb * cw * covariance(at + 1, w));
    };
    tone.u_cos_v = spread(c, -s, by_w_cos);
    tone.u_sin_v = spread(s, c, by_w_sin);
    if (!known) tone.u_frequency_hz = std::sqrt(covariance(w, w)) / half_s_ / two_pi;
    found.tones.push_back(tone);
  }
  return found;
}

}  // namespace

Expected<SeveralTones> fit_several_tones(const Trace& trace, std::span<const ToneStart> starts) {
  const std::size_t most = 3 * starts.size() + 1;
  if (starts.empty() || !(trace.dt_s > 0.0)) {
    return std::unexpected(Trouble{TroubleKind::bad_arguments, "no lines, or no sample interval"});
  }
  if (trace.size <= most) {
    return std::unexpected(
        Trouble{TroubleKind::too_few_points,
                fmt::format("{} points for up to {} unknowns", trace.size, most)});
  }
  return Search(trace, starts).run();
}

}  // namespace nightbench::signal
