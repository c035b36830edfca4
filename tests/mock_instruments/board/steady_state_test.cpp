// The modal solution against matrix exponentials, for every fault and every switch position.
#include "mock_instruments/board/steady_state.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <numbers>
#include <unsupported/Eigen/MatrixFunctions>

#include "fault_examples.hpp"

namespace nightbench::mock::board::test {
namespace {

Circuit circuit(const std::vector<Fault>& faults, double bias_farad = 10e-6) {
  Assembly board = assemble(with_tolerances(healthy_30m(), 7), faults);
  board.values.bias_farad = bias_farad;
  const Stimulus stimulus;
  const PowerState power = power_state(board, stimulus, applied_supply_v(board, stimulus));
  return build_circuit(board, power, {}, {});
}

TEST(SteadyState, ModesReproduceTheMatrixExponentialOfEveryFault) {
  for (const auto& example : fault_examples()) {
    SCOPED_TRACE(example.title);
    const Circuit board = circuit(example.faults);
    for (const auto& path : board.paths) {
      const StateSpace space = board.network.reduce(path);
      const Position position = decompose(space);
      ASSERT_TRUE(position.inverse.allFinite());
      for (const double seconds : {0.16e-9, 25e-9, 1e-6}) {
        const Eigen::MatrixXd exact = (space.a * seconds).exp();
        const Eigen::VectorXcd growth = (position.eigenvalue * seconds).array().exp();
        const Eigen::MatrixXcd modal = position.vector * growth.asDiagonal() * position.inverse;
        EXPECT_LT((modal - exact).norm(), 1e-7 * exact.norm()) << seconds;
      }
      // Passive but for stages with feedback: nothing grows.
      EXPECT_LT(position.eigenvalue.real().maxCoeff(), 1e-3);
    }
  }
}

TEST(SteadyState, OnePeriodLaterTheStateHasTurnedByTheInputsPhase) {
  // The definition itself, by stepping with a reference of its own: the
  // augmented matrix exponential of (state, cos, sin).
  const double small_bias = 0.1e-6;  // so that the mid-rail settles in 50 us
  SwitchedNetwork network(circuit({}, small_bias));
  const Assembly board = assemble(with_tolerances(healthy_30m(), 7), {});
  const Stimulus stimulus;
  const SelectLines lines = select_lines(board, stimulus, 5.0);
  const auto parts = intervals(lines, 2.5, 0.2);
  ASSERT_EQ(parts.size(), 9U);  // four paths, four gaps, one of them cut by the period's start
  const Cycle cycle = make_cycle(network, lines, parts);
  Eigen::VectorXd inputs = Eigen::VectorXd::Zero(input_count);
  inputs(input_rf) = 1.0;
  const SteadyState state(network, cycle, inputs, stimulus.rf_hz);
  const double w = 2 * std::numbers::pi * stimulus.rf_hz;

  // From rest the true solution approaches the steady state; follow it for many periods.
  const Circuit plain = circuit({}, small_bias);
  std::vector<Eigen::MatrixXd> steps;
  StateSpace last;
  for (const Interval& part : parts) {
    last = plain.network.reduce(plain.paths[static_cast<std::size_t>(part.path)]);
    const Eigen::Index n = last.a.rows();
    Eigen::MatrixXd big = Eigen::MatrixXd::Zero(n + 2, n + 2);
    big.topLeftCorner(n, n) = last.a;
    big.block(0, n, n, 1) = last.b.col(input_rf);  // cos
    big(n, n + 1) = -w;
    big(n + 1, n) = w;
    steps.push_back((big * (part.fraction * cycle.period_s)).exp());
  }
  Eigen::VectorXd x = Eigen::VectorXd::Zero(steps[0].rows());
  x(x.size() - 2) = 1.0;
  const int periods = 20000;  // 2 ms: many times the slowest time constant
  for (int k = 0; k < periods; ++k) {
    for (const auto& step : steps) x = step * x;
    const double angle = std::fmod(w * cycle.period_s * (k + 1), 2 * std::numbers::pi);
    x(x.size() - 2) = std::cos(angle);
    x(x.size() - 1) = std::sin(angle);
  }
  const double angle = std::fmod(w * cycle.period_s * periods, 2 * std::numbers::pi);
  for (const int node : {static_cast<int>(node_out), node_out + 1, static_cast<int>(node_phase),
                         static_cast<int>(node_capacitor), static_cast<int>(node_pin)}) {
    const auto envelope = state.envelope(node, 0, 1024);
    const double volts =
        (last.c.row(node) * x.head(x.size() - 2) + last.d.row(node) * inputs * std::cos(angle))(0);
    const double expected = (Complex(envelope[0]) * std::polar(1.0, angle)).real();
    EXPECT_NEAR(volts, expected, 1e-6 * std::abs(envelope[0])) << node;
  }
}

}  // namespace
}  // namespace nightbench::mock::board::test
