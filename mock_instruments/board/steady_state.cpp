#include "mock_instruments/board/steady_state.hpp"

#include <cmath>
#include <numbers>

namespace nightbench::mock::board {

using Eigen::MatrixXcd;
using Eigen::MatrixXd;
using Eigen::VectorXcd;
using Eigen::VectorXd;

namespace {

Complex turn(double radians) {
  return {std::cos(radians), std::sin(radians)};
}

MatrixXd transition(const Position& position, double seconds) {
  const VectorXcd growth = (position.eigenvalue * seconds).array().exp();
  const MatrixXcd left = position.vector * growth.asDiagonal();
  // The product is real; do not compute what is known to vanish.
  return left.real() * position.inverse.real() - left.imag() * position.inverse.imag();
}

}  // namespace

Position decompose(const StateSpace& space) {
  const Eigen::EigenSolver<MatrixXd> solver(space.a);
  Position out;
  out.eigenvalue = solver.eigenvalues();
  out.vector = solver.eigenvectors();
  out.inverse = out.vector.partialPivLu().inverse();
  out.input = out.inverse * space.b;
  out.modes = space.c * out.vector;
  out.direct = space.d;
  return out;
}

const Position& SwitchedNetwork::position(int path) {
  auto& kept = positions_[static_cast<std::size_t>(path)];
  if (!kept) {
    kept = decompose(circuit_.network.reduce(circuit_.paths[static_cast<std::size_t>(path)]));
  }
  return *kept;
}

Cycle make_cycle(SwitchedNetwork& network, const SelectLines& lines,
                 std::vector<Interval> intervals) {
  Cycle out;
  // With nothing moving any period will do.
  out.period_s = lines.lo_hz > 0 ? 1.0 / lines.lo_hz : 1e-6;
  out.intervals = std::move(intervals);
  for (const Interval& interval : out.intervals) {
    const MatrixXd step =
        transition(network.position(interval.path), interval.fraction * out.period_s);
    out.monodromy = out.monodromy.size() == 0 ? step : MatrixXd(step * out.monodromy);
  }
  return out;
}

SteadyState::SteadyState(SwitchedNetwork& network, const Cycle& cycle, const VectorXd& inputs,
                         double frequency_hz)
    : angular_(2 * std::numbers::pi * frequency_hz), period_s_(cycle.period_s) {
  const Complex jw(0.0, angular_);
  const Eigen::Index size = cycle.monodromy.rows();

  std::vector<VectorXcd> growth;
  VectorXcd x = VectorXcd::Zero(size);
  for (const Interval& interval : cycle.intervals) {
    const Position& position = network.position(interval.path);
    Stretch stretch{&position, interval.begin * period_s_, interval.fraction * period_s_, {}, {},
                    {}};
    const Complex start = turn(angular_ * stretch.begin_s);
    const VectorXcd drive = position.input * inputs;
    stretch.forced = start * (drive.array() / (jw - position.eigenvalue.array())).matrix();
    stretch.direct = start * (position.direct * inputs);
    growth.emplace_back((position.eigenvalue * stretch.length_s).array().exp());
    const VectorXcd transient = position.inverse * x - stretch.forced;
    x = position.vector * (transient.cwiseProduct(growth.back()) +
                           stretch.forced * turn(angular_ * stretch.length_s));
    stretches_.push_back(std::move(stretch));
  }

  MatrixXcd round = -cycle.monodromy.cast<Complex>();
  round.diagonal().array() += turn(angular_ * period_s_);
  x = round.partialPivLu().solve(x);

  for (std::size_t k = 0; k < stretches_.size(); ++k) {
    Stretch& stretch = stretches_[k];
    stretch.transient = stretch.position->inverse * x - stretch.forced;
    x = stretch.position->vector * (stretch.transient.cwiseProduct(growth[k]) +
                                    stretch.forced * turn(angular_ * stretch.length_s));
  }
}

Complex SteadyState::component(int node, int order) const {
  const double line = 2 * std::numbers::pi * order / period_s_;
  const double shifted = angular_ - line;
  Complex sum = 0.0;
  for (const Stretch& stretch : stretches_) {
    const Complex start = turn(-shifted * stretch.begin_s);
    const auto row = stretch.position->modes.row(node);
    // Integrals of exp((l - j shifted) t) and exp(j line t) over the stretch.
    for (Eigen::Index k = 0; k < row.size(); ++k) {
      const Complex rate = stretch.position->eigenvalue(k) - Complex(0.0, shifted);
      sum +=
          row(k) * stretch.transient(k) * start * (std::exp(rate * stretch.length_s) - 1.0) / rate;
    }
    Complex follows = stretch.direct(node);
    for (Eigen::Index k = 0; k < row.size(); ++k) follows += row(k) * stretch.forced(k);
    const double angle = line * stretch.length_s;
    const Complex window =
        order == 0 ? Complex(stretch.length_s) : (turn(angle) - 1.0) / Complex(0.0, line);
    sum += follows * start * window;
  }
  return sum / period_s_;
}

Envelope SteadyState::envelope(int node, int order, std::size_t count) const {
  Envelope out;
  out.reserve(count);
  const double step = period_s_ / static_cast<double>(count);
  const double shifted = angular_ - 2 * std::numbers::pi * order / period_s_;
  std::size_t k = 0;
  for (const Stretch& stretch : stretches_) {
    const double end = stretch.begin_s + stretch.length_s;
    const bool last = &stretch == &stretches_.back();
    double t = static_cast<double>(k) * step;
    if (k >= count || (!last && t >= end)) continue;
    const auto& eigenvalue = stretch.position->eigenvalue;
    const Eigen::Index modes = eigenvalue.size();
    const auto row = stretch.position->modes.row(node);
    VectorXcd mode = ((eigenvalue * (t - stretch.begin_s)).array().exp() *
                      stretch.transient.array() * row.transpose().array())
                         .matrix();
    const VectorXcd ratio = (eigenvalue * step).array().exp();
    Complex follows = stretch.direct(node);
    for (Eigen::Index m = 0; m < modes; ++m) follows += row(m) * stretch.forced(m);
    // Turned on from sample to sample: a stretch is a fraction of a period, so errors stay small.
    follows *= turn(angular_ * (t - stretch.begin_s));
    const Complex follows_step = turn(angular_ * step);
    Complex back = turn(-shifted * t);
    const Complex back_step = turn(-shifted * step);
    while (k < count && (last || t < end)) {
      out.emplace_back((mode.sum() + follows) * back);
      mode = mode.cwiseProduct(ratio);
      follows *= follows_step;
      back *= back_step;
      ++k;
      t = static_cast<double>(k) * step;
    }
  }
  return out;
}

}  // namespace nightbench::mock::board
