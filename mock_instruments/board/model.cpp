#include "mock_instruments/board/model.hpp"

namespace nightbench::mock::board {

Complex Solution::component(int node, int order) {
  const Asked asked{node, order};
  for (const auto& [key, value] : components_) {
    if (key == asked) return value;
  }
  return components_.emplace_back(asked, state_.component(node, order)).second;
}

const Envelope& Solution::envelope(int node, int order) {
  return envelopes_.get({node, order}, [&] {
    const std::size_t points = node >= node_out ? output_envelope_points : envelope_points;
    return std::make_unique<Envelope>(state_.envelope(node, order, points));
  });
}

bool Condition::operator==(const Condition& other) const {
  // Of the supplies only what the network sees; currents follow from them.
  return joints_open == other.joints_open && temperature_step == other.temperature_step &&
         power.switch_v == other.power.switch_v && power.switch_works == other.power.switch_works &&
         power.op_amp_works == other.power.op_amp_works && loads == other.loads &&
         stuck == other.stuck;
}

Model::Model(const Assembly& board, const Condition& condition)
    : threshold_v_(board.values.select_threshold_v),
      dead_v_(board.values.select_dead_v),
      network_(build_circuit(board, condition.power, condition.loads, condition.stuck)) {}

Solution& Model::dc(const SelectLines& lines) {
  return solution(lines, 0.0, true);
}

Solution& Model::rf(const SelectLines& lines, double rf_hz) {
  return solution(lines, rf_hz, false);
}

Model::LinesKey Model::key_of(const SelectLines& lines) {
  LinesKey out{lines.lo_hz, {}};
  for (std::size_t k = 0; k < 2; ++k) {
    const SelectLine& line = lines.pin[k];
    out.pin[k] = {line.high_v, line.running ? line.rise : -1.0, line.duty, line.edge};
  }
  return out;
}

Solution& Model::solution(const SelectLines& lines, double rf_hz, bool dc) {
  const LinesKey lines_key = key_of(lines);
  return solutions_.get({lines_key, dc ? -1.0 : rf_hz}, [&] {
    const Cycle& cycle = cycles_.get(lines_key, [&] {
      return std::make_unique<Cycle>(
          make_cycle(network_, lines, intervals(lines, threshold_v_, dead_v_)));
    });
    Eigen::VectorXd inputs = Eigen::VectorXd::Zero(input_count);
    if (dc) {
      for (int k = 0; k < input_count; ++k) inputs(k) = network_.dc()[static_cast<std::size_t>(k)];
    } else {
      inputs(input_rf) = 1.0;
    }
    return std::make_unique<Solution>(SteadyState(network_, cycle, inputs, dc ? 0.0 : rf_hz));
  });
}

}  // namespace nightbench::mock::board
