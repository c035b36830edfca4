#include "mock_instruments/board/circuit.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace nightbench::mock::board {

namespace {

constexpr double connector_farad = 1e-12;
constexpr double open_pad_farad = 1e-12;  // what is left where a capacitor is missing
constexpr double shorted_ohm = 0.05;
constexpr double open_path_ohm = 1e9;  // an open trace still leaks over the board
constexpr double gain_siemens = 1e-3;  // scale of the op-amp's inner node

// The op-amp's input pins of a stage and its resistors' names in Joint.
constexpr std::array<std::array<Joint, 2>, 2> input_joints{
    {{Joint::i_plus_input, Joint::i_minus_input}, {Joint::q_plus_input, Joint::q_minus_input}}};
// I is 0 less 180 degrees, Q is 90 less 270.
constexpr std::array<std::array<int, 2>, 2> stage_phases{{{0, 2}, {1, 3}}};

struct Builder {
  const Assembly& board;
  const Parameters& values;
  Network& net;

  double joint_ohm(Joint joint) const { return board.joint_ohm[static_cast<std::size_t>(joint)]; }
  bool joint_open(Joint joint) const { return board.joint_open[static_cast<std::size_t>(joint)]; }

  void filter() const;
  void splitter() const;
  void mid_rail(bool divider_open) const;
  void sampling() const;
  void stage(int channel, const PowerState& power, const StuckOutputs& stuck) const;
};

void Builder::filter() const {
  const FilterDesign design = filter_design(values);
  const double centre = 2 * std::numbers::pi * values.filter_centre_hz;
  const auto& l = values.filter_inductor_factor;
  const auto& c = values.filter_capacitor_factor;
  const double series_ohm = centre * design.series_henry / values.filter_q;
  const double shunt_ohm = centre * design.shunt_henry / values.filter_q;

  net.resistor(node_rf_in, ground, values.source_ohm);
  net.current_input(node_rf_in, input_rf, 1.0 / values.source_ohm);
  net.capacitor(node_rf_in, ground, connector_farad);
  if (!joint_open(Joint::rf_in)) {
    net.inductor(node_rf_in, node_filter_1, design.series_henry * l[0],
                 series_ohm + joint_ohm(Joint::rf_in));
  }
  net.capacitor(node_filter_1, node_filter_2, design.series_farad * c[0]);
  net.inductor(node_filter_2, ground, design.shunt_henry * l[1], shunt_ohm);
  net.capacitor(node_filter_2, ground, design.shunt_farad * c[1]);
  net.inductor(node_filter_2, node_filter_3, design.series_henry * l[2], series_ohm);
  net.capacitor(node_filter_3, node_primary, design.series_farad * c[2]);
  // Also what makes the meeting of series inductor and winding a proper node: without it their
  // two currents would have to be equal at every moment, which is no state equation.
  net.resistor(node_primary, ground, values.core_loss_ohm);
}

void Builder::splitter() const {
  struct Ends {
    int from, to;
    double ohm;
    bool open;
  };
  const std::array<Ends, 3> windings{{
      {node_primary, ground, 1e-3, board.winding_open[0]},
      {node_phase, node_centre_tap, values.winding_ohm + joint_ohm(Joint::phase_end),
       board.winding_open[1] || joint_open(Joint::phase_end)},
      {node_centre_tap, node_antiphase, values.winding_ohm + joint_ohm(Joint::antiphase_end),
       board.winding_open[2] || joint_open(Joint::antiphase_end)},
  }};
  std::array<int, 3> branch{-1, -1, -1};
  for (std::size_t k = 0; k < 3; ++k) {
    if (windings[k].open) continue;
    branch[k] =
        net.inductor(windings[k].from, windings[k].to, values.winding_henry, windings[k].ohm);
    for (std::size_t other = 0; other < k; ++other) {
      if (branch[other] < 0) continue;
      const bool against = board.winding_reversed[k] != board.winding_reversed[other];
      const double mutual = values.coupling * values.winding_henry;
      net.couple(branch[k], branch[other], against ? -mutual : mutual);
    }
  }
  net.capacitor(node_phase, ground, values.switch_input_farad);
  net.capacitor(node_antiphase, ground, values.switch_input_farad);
}

void Builder::mid_rail(bool divider_open) const {
  // With the upper resistor open the lower one is left: twice the parallel value at one half.
  const double ohm =
      divider_open ? values.bias_ohm / (1.0 - values.bias_fraction) : values.bias_ohm;
  const double series = ohm + joint_ohm(Joint::mid_rail);
  if (!joint_open(Joint::mid_rail)) {
    net.resistor(node_centre_tap, ground, series);
    net.current_input(node_centre_tap, input_bias, 1.0 / series);
  }
  net.capacitor(node_centre_tap, ground, values.bias_farad);
}

void Builder::sampling() const {
  for (int k = 0; k < 8; ++k) {
    const auto& wire = board.wire[static_cast<std::size_t>(k)];
    const int end = wire ? node_path + static_cast<int>(*wire) : node_pin + k;
    if (wire) net.resistor(node_pin + k, end, values.wire_ohm);
    net.capacitor(end, ground, values.switch_pin_farad);
  }
  constexpr std::array<Joint, 4> joints{Joint::path_0, Joint::path_90, Joint::path_180,
                                        Joint::path_270};
  for (int k = 0; k < 4; ++k) {
    const auto at = static_cast<std::size_t>(k);
    const bool open = board.path_open[at] || joint_open(joints[at]);
    net.resistor(node_path + k, node_capacitor + k,
                 open ? open_path_ohm : values.path_ohm[at] + joint_ohm(joints[at]));
    net.capacitor(node_capacitor + k, ground,
                  board.capacitor_open[at] ? open_pad_farad : values.sampling_farad[at]);
    if (board.capacitor_shorted[at]) net.resistor(node_capacitor + k, ground, shorted_ohm);
  }
}

void Builder::stage(int channel, const PowerState& power, const StuckOutputs& stuck) const {
  const auto at = static_cast<std::size_t>(channel);
  const StageParameters& part = channel == 0 ? values.i_stage : values.q_stage;
  const std::array<int, 2> pins{node_plus + channel, node_minus + channel};
  const int out = node_out + channel;
  const int gain = node_gain + channel;
  for (std::size_t k = 0; k < 2; ++k) {
    const Joint joint = input_joints[at][k];
    const bool open = board.input_open[at][k] || joint_open(joint);
    const double ohm = (k == 0 ? part.plus_input_ohm : part.minus_input_ohm) + joint_ohm(joint);
    net.resistor(node_capacitor + stage_phases[at][k], pins[k], open ? open_path_ohm : ohm);
    const int back = k == 0 ? static_cast<int>(node_centre_tap) : out;
    net.resistor(pins[k], back, k == 0 ? part.plus_feedback_ohm : part.minus_feedback_ohm);
    net.capacitor(pins[k], back, k == 0 ? part.plus_feedback_farad : part.minus_feedback_farad);
    net.capacitor(pins[k], ground, values.op_amp_input_farad);
    net.resistor(pins[k], ground, values.op_amp_input_ohm);
  }
  net.resistor(out, ground, values.output_load_ohm);

  // Inner node: gain_siemens (v+ - v- + offset) into a resistor and a capacitor, then the output
  // resistance; one pole at gain_bandwidth / open_loop_gain.
  net.resistor(gain, ground, values.open_loop_gain / gain_siemens);
  net.capacitor(gain, ground, gain_siemens / (2 * std::numbers::pi * values.gain_bandwidth_hz));
  if (!power.op_amp_works || board.op_amp_dead[at]) return;
  net.resistor(out, ground, values.op_amp_output_ohm);
  if (stuck[at].has_value()) {
    net.current_input(out, input_stage + channel, 1.0 / values.op_amp_output_ohm);
  } else {
    net.transconductance(gain, pins[0], pins[1], gain_siemens);
    net.current_input(gain, input_stage + channel, gain_siemens);
    net.transconductance(out, gain, ground, 1.0 / values.op_amp_output_ohm);
  }
}

// Pass transistors: resistance goes with the drive that is left above the signal at mid-rail.
double on_ohm(const Parameters& values, double switch_v) {
  constexpr double threshold_v = 1.0;
  constexpr double nominal_v = 5.0;
  const double drive = std::max(switch_v / 2 - threshold_v, 0.1);
  return values.switch_on_ohm * (nominal_v / 2 - threshold_v) / drive;
}

}  // namespace

FilterDesign filter_design(const Parameters& values) {
  const double centre = 2 * std::numbers::pi * values.filter_centre_hz;
  const double width = 2 * std::numbers::pi * values.filter_bandwidth_hz;
  FilterDesign out{};
  out.series_henry = values.filter_ohm / width;
  out.series_farad = 1.0 / (centre * centre * out.series_henry);
  out.shunt_farad = 2.0 / (values.filter_ohm * width);
  out.shunt_henry = 1.0 / (centre * centre * out.shunt_farad);
  return out;
}

Circuit build_circuit(const Assembly& board, const PowerState& power,
                      const std::vector<Load>& loads, const StuckOutputs& stuck) {
  const Parameters& values = board.values;
  Circuit out{Network(node_count, input_count), {}, {}};
  const Builder build{board, values, out.network};
  build.filter();
  build.splitter();
  build.mid_rail(board.bias_open);
  build.sampling();
  for (int channel = 0; channel < 2; ++channel) build.stage(channel, power, stuck);
  for (const Load& load : loads) {
    if (const auto node = node_of(load.point)) {
      if (load.ohm > 0) out.network.resistor(*node, ground, load.ohm);
      if (load.farad > 0) out.network.capacitor(*node, ground, load.farad);
    }
  }
  out.network.prepare();

  const double on = 1.0 / on_ohm(values, power.switch_v);
  const double off = 1.0 / values.switch_off_ohm;
  for (int path = 0; path < 5; ++path) {
    for (int k = 0; k < 8; ++k) {
      const bool closed = power.switch_works && path == k % 4;
      out.paths[static_cast<std::size_t>(path)].push_back(
          {k < 4 ? node_phase : node_antiphase, node_pin + k, closed ? on : off});
    }
  }

  out.dc[input_bias] = board.bias_open ? 0.0 : power.switch_v * values.bias_fraction;
  out.dc[input_stage] = stuck[0].value_or(values.i_stage.offset_v);
  out.dc[input_stage + 1] = stuck[1].value_or(values.q_stage.offset_v);
  return out;
}

std::optional<int> node_of(TestPoint point) {
  switch (point) {
    case TestPoint::i_out:
      return node_out;
    case TestPoint::q_out:
      return node_out + 1;
    case TestPoint::splitter_phase:
      return node_phase;
    case TestPoint::splitter_antiphase:
      return node_antiphase;
    case TestPoint::sw_6:
      return node_pin;
    case TestPoint::sw_5:
      return node_pin + 1;
    case TestPoint::sw_4:
      return node_pin + 2;
    case TestPoint::sw_3:
      return node_pin + 3;
    case TestPoint::sw_10:
      return node_pin + 4;
    case TestPoint::sw_11:
      return node_pin + 5;
    case TestPoint::sw_12:
      return node_pin + 6;
    case TestPoint::sw_13:
      return node_pin + 7;
    case TestPoint::cap_0:
      return node_capacitor;
    case TestPoint::cap_90:
      return node_capacitor + 1;
    case TestPoint::cap_180:
      return node_capacitor + 2;
    case TestPoint::cap_270:
      return node_capacitor + 3;
    case TestPoint::i_plus:
      return node_plus;
    case TestPoint::i_minus:
      return node_minus;
    case TestPoint::q_plus:
      return node_plus + 1;
    case TestPoint::q_minus:
      return node_minus + 1;
    case TestPoint::mid_rail:
      return node_centre_tap;
    case TestPoint::rf_in:
      return node_rf_in;
    case TestPoint::lo_0:
    case TestPoint::lo_90:
    case TestPoint::supply_in:
    case TestPoint::op_amp_supply:
    case TestPoint::switch_supply:
    case TestPoint::gnd:
      break;
  }
  return std::nullopt;
}

}  // namespace nightbench::mock::board
