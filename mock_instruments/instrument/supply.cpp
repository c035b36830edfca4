#include "mock_instruments/instrument/supply.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

namespace nightbench::mock::instrument {

Supply::Supply(World& world, Setup setup, const SupplyConfig& config)
    : Instrument(world, std::move(setup)),
      config_(config),
      outputs_(static_cast<std::size_t>(config.outputs)) {
  add_settings();
  add_protection();
  add_measurements();
  world.add_supply(*this);
  reset({});
}

void Supply::reset(TimePoint) {
  for (Output& output : outputs_) {
    output = Output();
    output.limit_a = config_.current_step_a;
    output.protect_v = 1.1 * config_.most_v;
  }
  selected_ = 0;
}

std::string Supply::port(std::size_t index) const {
  return name() + '/' + std::to_string(index + 1);
}

bool Supply::feeds_board(int output) const {
  return world_.wiring.is_at(port(static_cast<std::size_t>(output) - 1), "supply_in");
}

void Supply::ramp_to(Output& output, double volts, TimePoint now) {
  const double actual = output.on ? volts * (1.0 + config_.voltage_error) : 0.0;
  const Duration span = latency().acquires ? latency().scaled(config_.ramp) : Duration{};
  output.volts.set(actual, now, span);
  operate_until(output.volts.settled());
}

void Supply::trip(Output& output, Trip why) {
  output.trip = why;
  output.on = false;
  output.volts = Ramp(0.0);
  output.amperes = 0.0;
  output.limited = false;
}

void Supply::meet_load(std::size_t index, board::Stimulus& stimulus, TimePoint now) {
  Output& output = outputs_[index];
  output.limited = false;
  output.amperes = 0.0;
  if (!output.on) return;
  const double volts = output.volts.at(now);
  if (output.protect_voltage && volts > output.protect_v) return trip(output, Trip::over_voltage);
  const bool main = world_.wiring.is_at(port(index), "supply_in");
  const bool direct = world_.wiring.is_at(port(index), "switch_supply");
  if (world_.board() == nullptr || (!main && !direct)) return;
  if (direct) {
    stimulus.switch_supply_v = volts;
    output.amperes =
        world_.board()->supply_current_a(stimulus, board::Rail::switch_logic, world_.moment(now));
    output.limited = output.amperes > output.limit_a;
  } else {
    stimulus.supply_on = true;
    stimulus.supply_v = volts;
    const board::SupplyPoint point =
        world_.board()->supply_point(stimulus, output.limit_a, world_.moment(now));
    stimulus.supply_v = point.volts;
    output.amperes = point.amperes;
    output.limited = point.limited;
  }
  if (!output.limited || !output.protect_current) return;
  trip(output, Trip::over_current);
  if (direct)
    stimulus.switch_supply_v.reset();
  else
    stimulus.supply_on = false;
}

void Supply::drive(board::Stimulus& stimulus, TimePoint now) {
  // The direct 5 V first: it changes what the main input draws.
  for (const std::string_view place : {"switch_supply", "supply_in"}) {
    for (std::size_t i = 0; i < outputs_.size(); ++i) {
      if (world_.wiring.is_at(port(i), place)) meet_load(i, stimulus, now);
    }
  }
  for (std::size_t i = 0; i < outputs_.size(); ++i) {
    if (world_.wiring.place(port(i)).empty()) meet_load(i, stimulus, now);
  }
}

void Supply::update(TimePoint now) {
  static_cast<void>(world_.stimulus(now));  // lets a trip happen before it is asked for
  bool over_voltage = false;
  bool over_current = false;
  bool constant_voltage = false;
  bool constant_current = false;
  for (const Output& output : outputs_) {
    over_voltage = over_voltage || output.trip == Trip::over_voltage;
    over_current = over_current || output.trip == Trip::over_current;
    constant_current = constant_current || (output.on && output.limited);
    constant_voltage = constant_voltage || (output.on && !output.limited);
  }
  status_.questionable.set_bit(0, over_voltage);
  status_.questionable.set_bit(1, over_current);
  status_.operation.set_bit(8, constant_voltage);
  status_.operation.set_bit(10, constant_current);
}

Supply::Terminals Supply::terminals(int which, TimePoint now) {
  const board::Stimulus stimulus = world_.stimulus(now);
  const auto index = static_cast<std::size_t>(which) - 1;
  const Output& output = outputs_[index];
  Terminals out;
  out.on = output.on;
  out.tripped = output.trip != Trip::none;
  out.volts = output.on ? output.volts.at(now) : 0.0;
  out.amperes = output.amperes;
  if (output.on && feeds_board(which) && stimulus.supply_on) out.volts = stimulus.supply_v;
  return out;
}

void Supply::add_settings() {
  std::vector<std::string> names;
  for (int i = 1; i <= config_.outputs; ++i) names.push_back("OUT" + std::to_string(i));
  tree_.add_word(
      ":INSTrument[:SELect]", names, [this](const Call&) { return selected_; },
      [this](Call&, std::size_t which) { selected_ = which; });
  tree_.add(":INSTrument:NSELect", {number()}, [this](Call& call) {
    const double wanted = std::round(call.values[0].number);
    if (!(wanted >= 1 && wanted <= config_.outputs)) return call.error(-222);
    selected_ = static_cast<std::size_t>(wanted) - 1;
  });
  tree_.add(":INSTrument:NSELect?", {},
            [this](Call& call) { call.answer(nr1(static_cast<long long>(selected_) + 1)); });
  tree_.add_number(
      "[:SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]", SuffixUnit::volt,
      [this](const Call&) { return Limits{0.0, config_.most_v, 0.0}; },
      [this](const Call&) { return selected().set_v; },
      [this](Call& call, double volts) {
        Output& output = selected();
        output.set_v = std::round(volts / config_.voltage_step_v) * config_.voltage_step_v;
        ramp_to(output, output.set_v, call.now);
      });
  tree_.add_number(
      "[:SOURce]:CURRent[:LEVel][:IMMediate][:AMPLitude]", SuffixUnit::ampere,
      [this](const Call&) {
        return Limits{config_.current_step_a, config_.most_a, config_.current_step_a};
      },
      [this](const Call&) { return selected().limit_a; },
      [this](Call&, double amperes) {
        selected().limit_a = std::round(amperes / config_.current_step_a) * config_.current_step_a;
      });
  tree_.add_boolean(
      ":OUTPut[:STATe]", [this](const Call&) { return selected().on; },
      [this](Call& call, bool on) {
        Output& output = selected();
        if (on && output.trip != Trip::none) return call.error(-221, "protection has tripped");
        output.on = on;
        ramp_to(output, output.set_v, call.now);
      });
}

void Supply::add_protection() {
  tree_.add_number(
      "[:SOURce]:VOLTage:PROTection[:LEVel]", SuffixUnit::volt,
      [this](const Call&) { return Limits{0.0, 1.1 * config_.most_v, 1.1 * config_.most_v}; },
      [this](const Call&) { return selected().protect_v; },
      [this](Call&, double volts) { selected().protect_v = volts; });
  tree_.add_boolean(
      "[:SOURce]:VOLTage:PROTection:STATe",
      [this](const Call&) { return selected().protect_voltage; },
      [this](Call&, bool on) { selected().protect_voltage = on; });
  tree_.add_boolean(
      "[:SOURce]:CURRent:PROTection:STATe",
      [this](const Call&) { return selected().protect_current; },
      [this](Call&, bool on) { selected().protect_current = on; });
  tree_.add("[:SOURce]:VOLTage:PROTection:TRIPped?", {},
            [this](Call& call) { call.answer(selected().trip == Trip::over_voltage ? "1" : "0"); });
  tree_.add("[:SOURce]:CURRent:PROTection:TRIPped?", {},
            [this](Call& call) { call.answer(selected().trip == Trip::over_current ? "1" : "0"); });
  tree_.add(":OUTPut:PROTection:CLEar", {}, [this](Call&) { selected().trip = Trip::none; });
}

void Supply::add_measurements() {
  tree_.add(":MEASure[:SCALar]:VOLTage[:DC]?", {}, [this](Call& call) {
    const Terminals now = terminals(static_cast<int>(selected_) + 1, call.now);
    const double noise = config_.measure_noise_v * random_.normal();
    call.answer(nr3(now.volts * (1.0 + config_.measure_voltage_error) + noise, 6));
    call.take(settle());
  });
  tree_.add(":MEASure[:SCALar]:CURRent[:DC]?", {}, [this](Call& call) {
    const Terminals now = terminals(static_cast<int>(selected_) + 1, call.now);
    const double noise = config_.measure_noise_a * random_.normal();
    call.answer(nr3(now.amperes * (1.0 + config_.measure_current_error) + noise, 6));
    call.take(settle());
  });
}

}  // namespace nightbench::mock::instrument
