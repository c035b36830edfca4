#include "mock_instruments/board/resistance.hpp"

#include <optional>

#include "mock_instruments/board/circuit.hpp"

namespace nightbench::mock::board {

namespace {

// Beside the circuit's nodes: supply input, op-amp supply, switch supply, select pins 14 and 2.
enum Extra : int { supply_in = node_count, op_amp_supply, switch_supply, pin_14, pin_2, all_nodes };

// Unpowered chips between supply and ground, at the small voltage of an ohmmeter.
constexpr double op_amp_ohm = 200e3;
constexpr double switch_ohm = 1e6;
constexpr double regulator_ohm = 12e3;
constexpr double reversed_chip_ohm = 200.0;

struct Meter {
  Eigen::MatrixXd g;
  void join(int from, int to, double siemens) {
    if (from != ground) g(from, from) += siemens;
    if (to != ground) g(to, to) += siemens;
    if (from != ground && to != ground) {
      g(from, to) -= siemens;
      g(to, from) -= siemens;
    }
  }
};

std::optional<int> meter_node(TestPoint point) {
  switch (point) {
    case TestPoint::supply_in:
      return supply_in;
    case TestPoint::op_amp_supply:
      return op_amp_supply;
    case TestPoint::switch_supply:
      return switch_supply;
    case TestPoint::lo_0:
      return pin_14;
    case TestPoint::lo_90:
      return pin_2;
    default:
      return node_of(point);
  }
}

void add_supplies(const Assembly& board, Meter& meter) {
  const Parameters& values = board.values;
  const auto joint = static_cast<std::size_t>(Joint::supply);
  if (!board.joint_open[joint]) {
    meter.join(supply_in, op_amp_supply,
               1.0 / (values.supply_series_ohm + board.joint_ohm[joint] + 0.02));
  }
  const auto& shorts = board.short_siemens;
  meter.join(supply_in, ground, shorts[static_cast<std::size_t>(Rail::supply_in)]);
  meter.join(op_amp_supply, ground,
             1.0 / (board.op_amp_reversed ? reversed_chip_ohm : op_amp_ohm) +
                 shorts[static_cast<std::size_t>(Rail::op_amp)]);
  meter.join(switch_supply, ground,
             1.0 / (board.switch_reversed ? reversed_chip_ohm : switch_ohm) + 1.0 / regulator_ohm +
                 shorts[static_cast<std::size_t>(Rail::switch_logic)]);
  for (const int pin : {pin_14, pin_2}) {
    meter.join(pin, values.select_pull_up ? static_cast<int>(switch_supply) : ground,
               1.0 / values.select_pull_ohm);
  }
}

}  // namespace

double resistance_ohm(const Assembly& board, TestPoint a, TestPoint b) {
  if (a == b) return 0.0;
  Circuit circuit = build_circuit(board, PowerState{}, {}, {});
  Meter meter{1e-12 * Eigen::MatrixXd::Identity(all_nodes, all_nodes)};
  meter.g.topLeftCorner(node_count, node_count) = circuit.network.resistive(circuit.paths.back());

  // The network holds the mid-rail divider as one resistor to ground; here its upper half goes
  // to the switch supply.
  const Parameters& values = board.values;
  const auto joint = static_cast<std::size_t>(Joint::mid_rail);
  if (!board.joint_open[joint] && !board.bias_open && values.bias_fraction > 0.0) {
    const double upper = values.bias_fraction / values.bias_ohm;
    meter.join(node_centre_tap, ground, -upper);
    meter.join(node_centre_tap, switch_supply, upper);
  }
  add_supplies(board, meter);

  Eigen::VectorXd current = Eigen::VectorXd::Zero(all_nodes);
  const auto from = meter_node(a);
  const auto to = meter_node(b);
  if (from) current(*from) += 1.0;
  if (to) current(*to) -= 1.0;
  const Eigen::VectorXd volts = meter.g.partialPivLu().solve(current);
  return (from ? volts(*from) : 0.0) - (to ? volts(*to) : 0.0);
}

}  // namespace nightbench::mock::board
