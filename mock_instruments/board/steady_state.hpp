// Exact steady state of a network that switches periodically (internal; shows Eigen).
//
// For an input exp(j w t) the state obeys x(t + T) = exp(j w T) x(t). Inside an interval the
// network does not change, and in the basis of its eigenvectors every mode moves alone:
//   z(t) = (z0 - zp) exp(l (t - t0)) + zp exp(j w (t - t0)),  zp = beta / (j w - l).
// Going once round gives x(T) = M x(0) + g; with the first line (exp(j w T) - M) x(0) = g.
#pragma once

#include <Eigen/Dense>
#include <array>
#include <complex>
#include <optional>
#include <span>
#include <vector>

#include "mock_instruments/board/circuit.hpp"
#include "mock_instruments/board/lo_lines.hpp"

namespace nightbench::mock::board {

using Complex = std::complex<double>;
// Over one period; 24 bits are beyond what any converter on the bench resolves, at half the memory.
using Envelope = std::vector<std::complex<float>>;

// One switch position in its own basis: modes, and what they are at every node.
struct Position {
  Eigen::VectorXcd eigenvalue;
  Eigen::MatrixXcd vector;
  Eigen::MatrixXcd inverse;
  Eigen::MatrixXcd input;  // inverse * b
  Eigen::MatrixXcd modes;  // c * vector: node volts of a mode
  Eigen::MatrixXd direct;  // d: node volts of an input
};

Position decompose(const StateSpace& space);

// All positions of one circuit, made when first needed.
class SwitchedNetwork {
 public:
  explicit SwitchedNetwork(Circuit circuit) : circuit_(std::move(circuit)) {}
  const Position& position(int path);
  const std::array<double, input_count>& dc() const { return circuit_.dc; }

 private:
  Circuit circuit_;
  std::array<std::optional<Position>, 5> positions_;
};

// How the intervals follow each other at one LO frequency.
struct Cycle {
  double period_s = 1.0;
  std::vector<Interval> intervals;
  Eigen::MatrixXd monodromy;  // M
};

Cycle make_cycle(SwitchedNetwork& network, const SelectLines& lines,
                 std::vector<Interval> intervals);

// Input weights (volts per unit of each input) at one frequency, and the state they lead to.
class SteadyState {
 public:
  SteadyState(SwitchedNetwork& network, const Cycle& cycle, const Eigen::VectorXd& inputs,
              double frequency_hz);

  // The component at frequency - order / T, as a phasor against exp(j 2 pi (f - order/T) t).
  Complex component(int node, int order) const;

  // v(t) = Re(exp(j 2 pi (f - order/T) t) q(t)): q over one period at `count` even steps.
  Envelope envelope(int node, int order, std::size_t count) const;

 private:
  struct Stretch {
    const Position* position;
    double begin_s;
    double length_s;
    Eigen::VectorXcd forced;     // modes at the start of the stretch that follow the input
    Eigen::VectorXcd transient;  // the rest, decaying
    Eigen::VectorXcd direct;     // node volts that follow the input at once, at its start
  };
  double angular_;
  double period_s_;
  std::vector<Stretch> stretches_;
};

}  // namespace nightbench::mock::board
