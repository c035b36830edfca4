#include "mock_instruments/board/board.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <optional>
#include <utility>

#include "mock_instruments/board/model.hpp"
#include "mock_instruments/board/noise.hpp"
#include "mock_instruments/board/resistance.hpp"
#include "mock_instruments/board/sampler.hpp"

namespace nightbench::mock::board {

namespace {

constexpr double temperature_step_k = 2.0;
constexpr double pi = std::numbers::pi;

double source_emf_v(double level_dbm) {
  // Open-circuit peak of a 50 ohm source whose matched load would take the power.
  return 2.0 * std::sqrt(2.0 * 50.0 * 1e-3) * std::pow(10.0, level_dbm / 20.0);
}

// The tones of the RF source: its own frequency, then the harmonics it has.
struct SourceTone {
  double hz;
  Complex emf;
};

std::vector<SourceTone> source_tones(const Stimulus& stimulus) {
  std::vector<SourceTone> out;
  if (!stimulus.rf_on || stimulus.rf_hz <= 0.0) return out;
  const double emf = source_emf_v(stimulus.rf_dbm);
  const auto add = [&](int harmonic, double dbc) {
    out.push_back(
        {harmonic * stimulus.rf_hz, std::polar(emf * std::pow(10.0, dbc / 20.0),
                                               harmonic * stimulus.rf_phase_deg * pi / 180.0)});
  };
  add(1, 0.0);
  if (stimulus.rf_harmonic2_dbc) add(2, *stimulus.rf_harmonic2_dbc);
  if (stimulus.rf_harmonic3_dbc) add(3, *stimulus.rf_harmonic3_dbc);
  return out;
}

// The LO harmonic that brings a frequency nearest to zero; 0 without LO.
int nearest_order(double hz, double lo_hz) {
  return lo_hz > 0.0 ? std::max(1, static_cast<int>(std::lround(hz / lo_hz))) : 0;
}

struct Rails {
  double low;
  double high;
};

// The op-amp's swing is that of its inner node; output resistance and load take a little of it.
double output_divider(const Parameters& values) {
  return values.output_load_ohm / (values.output_load_ohm + values.op_amp_output_ohm);
}

Rails output_rails(const Assembly& board, const PowerState& power, std::size_t channel) {
  constexpr double diode_v = 0.6;  // protection diodes bound what a dead output is pulled to
  if (!power.op_amp_works) return {-diode_v, diode_v};
  if (board.op_amp_dead[channel]) return {-diode_v, power.op_amp_v + diode_v};
  const Parameters& values = board.values;
  return {values.swing_low_v * output_divider(values),
          (power.op_amp_v - values.swing_high_v) * output_divider(values)};
}

// Mean of a clipped cosine with this offset and amplitude.
double clipped_mean(double offset, double amplitude, Rails rails) {
  constexpr int points = 512;
  double sum = 0.0;
  for (int k = 0; k < points; ++k) {
    sum += std::clamp(offset + amplitude * std::cos(2 * pi * (k + 0.5) / points), rails.low,
                      rails.high);
  }
  return sum / points;
}

constexpr std::array<TestPoint, 2> outputs{TestPoint::i_out, TestPoint::q_out};

std::optional<std::size_t> channel_of(TestPoint point) {
  if (point == TestPoint::i_out) return 0;
  if (point == TestPoint::q_out) return 1;
  return std::nullopt;
}

}  // namespace

struct Board::State {
  Parameters parameters;
  std::vector<Fault> faults;
  // Two temperatures, each as built and with an output held at a rail.
  Recent<Condition, Model> models{4};

  // The board as a stimulus finds it at one of the temperatures that are solved.
  struct View {
    double weight;
    Assembly board;
    PowerState power;
    SelectLines lines;
    std::array<Rails, 2> rails;  // I, Q
    Model* model;
    StuckOutputs stuck;
  };

  std::uint32_t joints_open(Moment when) const;
  Assembly assembly(double celsius, Moment when) const {
    return assemble(at_temperature(parameters, celsius), faults, joints_open(when));
  }
  View view(const Stimulus& stimulus, int step, double weight, Moment when);
  std::vector<View> views(const Stimulus& stimulus, Moment when);
  void find_stuck(const Stimulus& stimulus, View& view, Condition condition);
  void add_node(const Stimulus& stimulus, const std::vector<View>& views, int node,
                const TimeBase& base, std::vector<double>& out);
};

std::uint32_t Board::State::joints_open(Moment when) const {
  std::uint32_t out = 0;
  std::uint32_t bit = 0;
  for (const Fault& fault : faults) {
    if (fault.kind != FaultKind::cold_joint || fault.open_fraction <= 0.0) continue;
    const auto slots_a_second = 1.0 / fault.dwell_s;
    const double slot = std::floor(static_cast<double>(when.seconds) * slots_a_second +
                                   when.fraction_s * slots_a_second);
    Random random(static_cast<std::uint64_t>(static_cast<std::int64_t>(slot)) * 64U + bit);
    if (random.uniform() < fault.open_fraction) out |= 1U << bit;
    ++bit;
  }
  return out;
}

Board::State::View Board::State::view(const Stimulus& stimulus, int step, double weight,
                                      Moment when) {
  View out{};
  out.weight = weight;
  out.board = assembly(reference_temperature_c + step * temperature_step_k, when);
  out.power = power_state(out.board, stimulus, applied_supply_v(out.board, stimulus));
  out.lines = select_lines(out.board, stimulus, out.power.switch_v);
  for (std::size_t k = 0; k < 2; ++k) out.rails[k] = output_rails(out.board, out.power, k);
  Condition condition{joints_open(when), step, out.power, stimulus.loads, {}};
  std::erase_if(condition.loads, [](const Load& load) { return !node_of(load.point); });
  out.model = &models.get(condition, [&] { return std::make_unique<Model>(out.board, condition); });
  find_stuck(stimulus, out, std::move(condition));
  return out;
}

// An output that would stay beyond a rail all the time is held there and no longer amplifies.
void Board::State::find_stuck(const Stimulus& stimulus, View& view, Condition condition) {
  if (!view.power.op_amp_works) return;
  for (int channel = 0; channel < 2; ++channel) {
    const int node = node_out + channel;
    const auto at = static_cast<std::size_t>(channel);
    const Rails rails = view.rails[at];
    const double offset = view.model->dc(view.lines).component(node, 0).real();
    double swing = 0.0;
    if (view.board.op_amp_dead[at] || (offset >= rails.low && offset <= rails.high)) continue;
    for (const SourceTone& tone : source_tones(stimulus)) {
      const int order = nearest_order(tone.hz, view.lines.lo_hz);
      swing += std::abs(tone.emf * view.model->rf(view.lines, tone.hz).component(node, order));
    }
    const double divider = output_divider(view.board.values);
    if (offset + swing < rails.low) condition.stuck[at] = rails.low / divider;
    if (offset - swing > rails.high) condition.stuck[at] = rails.high / divider;
  }
  if (condition.stuck == StuckOutputs{}) return;
  view.stuck = condition.stuck;
  view.model =
      &models.get(condition, [&] { return std::make_unique<Model>(view.board, condition); });
}

// Between the temperatures that are solved, answers are interpolated: drift is smooth and cheap.
std::vector<Board::State::View> Board::State::views(const Stimulus& stimulus, Moment when) {
  const double place = (stimulus.temperature_c - reference_temperature_c) / temperature_step_k;
  const int below = static_cast<int>(std::floor(place));
  const double above_weight = place - below;
  std::vector<View> out;
  out.push_back(view(stimulus, below, 1.0 - above_weight, when));
  if (above_weight > 0.0) out.push_back(view(stimulus, below + 1, above_weight, when));
  return out;
}

void Board::State::add_node(const Stimulus& stimulus, const std::vector<View>& views, int node,
                            const TimeBase& base, std::vector<double>& out) {
  // One pass over the samples a tone: the temperatures are mixed in its envelope.
  Envelope mixed;
  const auto add = [&](double hz, int order, Complex amplitude, const auto& solution) {
    const Envelope* envelope = &solution(views.front());
    if (views.size() > 1) {
      mixed.assign(envelope->size(), 0.0F);
      for (const View& view : views) {
        const auto weight = static_cast<float>(view.weight);
        const Envelope& part = solution(view);
        for (std::size_t k = 0; k < mixed.size(); ++k) mixed[k] += weight * part[k];
      }
      envelope = &mixed;
    }
    add_tone({hz, order, amplitude, envelope}, base, out);
  };
  add(0.0, 0, 1.0, [&](const View& view) -> const Envelope& {
    return view.model->dc(view.lines).envelope(node, 0);
  });
  // Points on the RF side carry the RF itself, all others what is left at the IF.
  const bool rf_side = node < node_pin && node != node_centre_tap;
  for (const SourceTone& tone : source_tones(stimulus)) {
    const int order = rf_side ? 0 : nearest_order(tone.hz, base.lo_hz);
    add(tone.hz, order, tone.emf, [&](const View& view) -> const Envelope& {
      return view.model->rf(view.lines, tone.hz).envelope(node, order);
    });
  }
}

Result<Board> Board::make(const Parameters& parameters, std::vector<Fault> faults) {
  for (const Fault& fault : faults) TRY(check(fault));
  auto state = std::make_unique<State>();
  state->parameters = parameters;
  state->faults = std::move(faults);
  return Board(std::move(state));
}

Board::Board(std::unique_ptr<State> state) : state_(std::move(state)) {}
Board::Board(Board&&) noexcept = default;
Board& Board::operator=(Board&&) noexcept = default;
Board::~Board() = default;

const Parameters& Board::parameters() const {
  return state_->parameters;
}
std::span<const Fault> Board::faults() const {
  return state_->faults;
}

std::vector<std::vector<double>> Board::waveform(const Stimulus& stimulus,
                                                 std::span<const TestPoint> points, Moment t0,
                                                 double dt_s, std::size_t n) {
  const auto views = state_->views(stimulus, t0);
  const SelectLines& lines = views.front().lines;
  const TimeBase base{t0, dt_s, lines.lo_hz, stimulus.lo_start_deg / 360.0};
  std::vector<std::vector<double>> out;
  for (const TestPoint point : points) {
    std::vector<double>& samples = out.emplace_back(n, 0.0);
    if (const auto node = node_of(point)) {
      state_->add_node(stimulus, views, *node, base, samples);
      if (const auto channel = channel_of(point)) {
        const Rails rails = views.front().rails[*channel];
        for (double& v : samples) v = std::clamp(v, rails.low, rails.high);
      }
    } else if (point == TestPoint::lo_0 || point == TestPoint::lo_90) {
      sample_select_line(lines.pin[point == TestPoint::lo_0 ? 0 : 1], base, samples);
    } else {
      double steady = 0.0;
      for (const auto& view : views) steady += view.weight * supply_volts(view.power, point);
      std::ranges::fill(samples, steady);
    }
  }
  return out;
}

IqResponse Board::iq_response(const Stimulus& stimulus, Moment when) {
  IqResponse out;
  const auto views = state_->views(stimulus, when);
  const double lo_hz = views.front().lines.lo_hz;
  const auto tones = source_tones(stimulus);
  out.order = nearest_order(stimulus.rf_hz, lo_hz);
  const bool converts = lo_hz > 0.0 && !tones.empty();
  if (converts) out.if_hz = stimulus.rf_hz - out.order * lo_hz;
  const Complex turn = std::polar(1.0, -2 * pi * out.order * stimulus.lo_start_deg / 360.0);
  std::array<Complex, 2> phasor{};
  std::array<double, 2> offset{};
  for (const auto& view : views) {
    for (std::size_t k = 0; k < 2; ++k) {
      const int node = node_out + static_cast<int>(k);
      offset[k] += view.weight * view.model->dc(view.lines).component(node, 0).real();
      if (converts) {
        const Complex unit =
            view.model->rf(view.lines, tones.front().hz).component(node, out.order);
        phasor[k] += view.weight * tones.front().emf * turn * unit;
      }
    }
  }
  const auto beyond = [&](std::size_t k) {
    const Rails rails = views.front().rails[k];
    return offset[k] + std::abs(phasor[k]) > rails.high ||
           offset[k] - std::abs(phasor[k]) < rails.low;
  };
  const bool works = views.front().power.op_amp_works;
  out.i_clipped = works && beyond(0);
  out.q_clipped = works && beyond(1);
  out.i_v = out.if_hz < 0.0 ? std::conj(phasor[0]) : phasor[0];
  out.q_v = out.if_hz < 0.0 ? std::conj(phasor[1]) : phasor[1];
  out.i_offset_v = offset[0];
  out.q_offset_v = offset[1];
  return out;
}

double Board::dc_volts(const Stimulus& stimulus, TestPoint point, double load_ohm, Moment when) {
  Stimulus loaded = stimulus;
  loaded.loads.push_back({point, load_ohm, 0.0});
  const auto views = state_->views(loaded, when);
  const auto node = node_of(point);
  if (!node) {
    double steady = 0.0;
    for (const auto& view : views) {
      steady += view.weight * (point == TestPoint::lo_0    ? view.lines.pin[0].mean_v()
                               : point == TestPoint::lo_90 ? view.lines.pin[1].mean_v()
                                                           : supply_volts(view.power, point));
    }
    return steady;
  }
  double volts = 0.0;
  double swing = 0.0;
  for (const auto& view : views) {
    volts += view.weight * view.model->dc(view.lines).component(*node, 0).real();
    if (!channel_of(point)) continue;
    for (const SourceTone& tone : source_tones(stimulus)) {
      const int order = nearest_order(tone.hz, view.lines.lo_hz);
      swing += view.weight *
               std::abs(tone.emf * view.model->rf(view.lines, tone.hz).component(*node, order));
    }
  }
  const auto channel = channel_of(point);
  return channel ? clipped_mean(volts, swing, views.front().rails[*channel]) : volts;
}

double Board::ohms(TestPoint a, TestPoint b, double celsius, Moment when) {
  return std::min(open_ohm, resistance_ohm(state_->assembly(celsius, when), a, b));
}

double Board::supply_current_a(const Stimulus& stimulus, Rail rail, Moment when) {
  const Assembly board = state_->assembly(stimulus.temperature_c, when);
  const PowerState power = power_state(board, stimulus, applied_supply_v(board, stimulus));
  switch (rail) {
    case Rail::op_amp:
      return power.op_amp_a;
    case Rail::switch_logic:
      return power.switch_a;
    case Rail::supply_in:
      break;
  }
  return power.supply_in_a;
}

SupplyPoint Board::supply_point(const Stimulus& stimulus, double limit_a, Moment when) {
  const Assembly board = state_->assembly(stimulus.temperature_c, when);
  SupplyPoint out;
  out.volts = limited_supply_v(board, stimulus, limit_a);
  out.amperes = power_state(board, stimulus, out.volts).supply_in_a;
  out.limited = out.volts < applied_supply_v(board, stimulus);
  return out;
}

// Thermal noise of the resistors and the sampler, and the op-amp's own, through the closed-loop
// gain. Each capacitor node looks like 2 R from here (R the source's half and the switch), and the
// sampler folds noise from the odd LO harmonics: pi^2 / 8 (the sum of 1 / k^2 over odd k).
Board::Noise Board::noise(const Stimulus& stimulus, TestPoint point) {
  const auto channel = channel_of(point);
  const auto view = state_->views(stimulus, {}).front();
  if (!channel || !view.power.op_amp_works || view.board.op_amp_dead[*channel] ||
      view.stuck[*channel].has_value()) {
    return {1e-9, 0.0};
  }
  const Parameters& values = view.board.values;
  const StageParameters& stage = *channel == 0 ? values.i_stage : values.q_stage;
  const double four_kt = 4 * 1.380649e-23 * (stimulus.temperature_c + 273.15);
  const double node_ohm = 2 * (2 * values.source_ohm + values.switch_on_ohm);
  const double input_ohm = stage.minus_input_ohm + node_ohm;
  const double gain = stage.minus_feedback_ohm / input_ohm;
  const double at_input = four_kt * 2 * (stage.minus_input_ohm + node_ohm * pi * pi / 8) +
                          std::pow(values.op_amp_noise_v_per_rthz * (1 + 1 / gain), 2);
  return {std::sqrt(gain * gain * at_input + four_kt * 2 * stage.minus_feedback_ohm),
          1 / (2 * pi * stage.minus_feedback_ohm * stage.minus_feedback_farad)};
}

}  // namespace nightbench::mock::board
