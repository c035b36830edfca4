#include "mock_instruments/board/parameters.hpp"

#include "mock_instruments/board/noise.hpp"

namespace nightbench::mock::board {

namespace {

// Parts of one tolerance class lie inside it with a hump in the middle: mean of two uniforms.
class Draw {
 public:
  explicit Draw(std::uint64_t serial) : random_(serial) {}
  void spread(double& value, double tolerance) { value *= 1.0 + tolerance * between(); }
  void shift(double& value, double most) { value += most * between(); }

 private:
  double between() {
    const double first = random_.uniform();
    return first + random_.uniform() - 1.0;
  }
  Random random_;
};

void draw_stage(Draw& draw, StageParameters& stage) {
  constexpr double resistor = 0.01;
  constexpr double capacitor = 0.02;
  draw.spread(stage.plus_input_ohm, resistor);
  draw.spread(stage.minus_input_ohm, resistor);
  draw.spread(stage.plus_feedback_ohm, resistor);
  draw.spread(stage.minus_feedback_ohm, resistor);
  draw.spread(stage.plus_feedback_farad, capacitor);
  draw.spread(stage.minus_feedback_farad, capacitor);
  draw.shift(stage.offset_v, 0.2e-3);
}

}  // namespace

Parameters healthy_30m() {
  return {};
}

Parameters healthy_10mhz() {
  Parameters board;
  board.filter_centre_hz = 10e6;
  return board;
}

Parameters with_tolerances(const Parameters& nominal, std::uint64_t serial) {
  Parameters board = nominal;
  Draw draw(serial);
  for (double& farad : board.sampling_farad) draw.spread(farad, 0.02);
  for (double& ohm : board.path_ohm) draw.spread(ohm, 0.2);
  draw_stage(draw, board.i_stage);
  draw_stage(draw, board.q_stage);
  for (double& factor : board.filter_inductor_factor) draw.spread(factor, 0.02);
  for (double& factor : board.filter_capacitor_factor) draw.spread(factor, 0.02);
  draw.spread(board.winding_henry, 0.1);
  draw.spread(board.switch_on_ohm, 0.1);
  draw.spread(board.switch_input_farad, 0.1);
  draw.spread(board.bias_fraction, 0.01);
  draw.spread(board.bias_ohm, 0.01);
  draw.spread(board.gain_bandwidth_hz, 0.1);
  draw.spread(board.open_loop_gain, 0.3);
  draw.spread(board.regulator_v, 0.01);
  draw.spread(board.op_amp_supply_a, 0.15);
  draw.shift(board.lo_phase_error_deg, 0.3);
  for (double& duty : board.lo_duty) draw.spread(duty, 0.002);
  return board;
}

Parameters with_tolerances(const Parameters& nominal, std::string_view serial) {
  // FNV-1a (Fowler, Noll, Vo; RFC 9923), 64 bits.
  std::uint64_t hash = 0xcbf29ce484222325U;
  for (const char letter : serial) {
    hash = (hash ^ static_cast<unsigned char>(letter)) * 0x100000001b3U;
  }
  return with_tolerances(nominal, hash);
}

Parameters at_temperature(const Parameters& board, double celsius) {
  const double kelvin = celsius - reference_temperature_c;
  const TemperatureCoefficients& per = board.per_kelvin;
  const auto factor = [&](double coefficient) { return 1.0 + coefficient * kelvin; };
  Parameters out = board;
  for (double& farad : out.sampling_farad) farad *= factor(per.sampling_capacitor);
  for (double& part : out.filter_capacitor_factor) part *= factor(per.filter_capacitor);
  for (double& part : out.filter_inductor_factor) part *= factor(per.inductor);
  for (StageParameters* stage : {&out.i_stage, &out.q_stage}) {
    // The resistors of one network follow each other; what shows is the inputs against feedback.
    stage->plus_feedback_ohm *= factor(per.resistor);
    stage->minus_feedback_ohm *= factor(per.resistor);
    stage->plus_feedback_farad *= factor(per.sampling_capacitor);
    stage->minus_feedback_farad *= factor(per.sampling_capacitor);
    stage->offset_v += per.offset_v_per_k * kelvin;
  }
  out.winding_henry *= factor(per.inductor);
  out.switch_on_ohm *= factor(per.switch_on);
  out.gain_bandwidth_hz *= factor(per.gain_bandwidth);
  out.regulator_v *= factor(per.regulator);
  out.op_amp_supply_a *= factor(per.supply_current);
  return out;
}

}  // namespace nightbench::mock::board
