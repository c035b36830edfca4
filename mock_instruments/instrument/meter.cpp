#include "mock_instruments/instrument/meter.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

namespace nightbench::mock::instrument {
namespace {

constexpr std::size_t kVolts = 0;
constexpr std::size_t kOhms = 1;
constexpr double kOverrange = 1.2;
constexpr double kTestCurrent = 1e-3;  // amperes through what is measured in ohms
constexpr double kCounts = 1e6;        // of a range
enum Source : std::size_t { immediate, bus, external };

}  // namespace

Meter::Meter(World& world, Setup setup, const MeterConfig& config)
    : Instrument(world, std::move(setup)), config_(config) {
  const auto within = [this](double most) { return most * (2.0 * random_.uniform() - 1.0); };
  functions_[kVolts] = {
      "VOLT", {0.1, 1, 10, 100, 1000}, within(config.volts_reading), within(config.volts_range)};
  functions_[kOhms] = {"RES",
                       {100, 1e3, 10e3, 100e3, 1e6, 10e6, 100e6},
                       within(config.ohms_reading),
                       within(config.ohms_range)};
  world.set_load(name(), config.input_ohm, 0.0);
  add_function(kVolts, "VOLTage[:DC]", SuffixUnit::volt);
  add_function(kOhms, "RESistance", SuffixUnit::ohm);
  add_trigger();
  reset({});
}

void Meter::reset(TimePoint) {
  for (Function& function : functions_) {
    function.range = function.ranges.size() - 1;
    function.automatic = true;
    function.cycles = 1.0;
  }
  function_ = kVolts;
  source_ = immediate;
  delay_s_ = 0.0;
  samples_ = 1;
  waits_for_bus_ = false;
  readings_.clear();
}

void Meter::stop_operations() {
  waits_for_bus_ = false;
}

bool Meter::set_range(Function& function, double wanted) {
  for (std::size_t i = 0; i < function.ranges.size(); ++i) {
    if (wanted <= function.ranges[i] * (1 + 1e-9)) {
      function.range = i;
      function.automatic = false;
      return wanted >= 0;
    }
  }
  return false;
}

bool Meter::configure(Call& call, std::size_t which) {
  Function& function = functions_[which];
  if (call.has(0)) {
    const Value& wanted = call.values[0];
    const double asked = wanted.special == Special::minimum   ? function.ranges.front()
                         : wanted.special == Special::maximum ? function.ranges.back()
                                                              : wanted.number;
    if (wanted.special == Special::standard) {
      function.automatic = true;
    } else if (!set_range(function, asked)) {
      call.error(-222);
      return false;
    }
  } else {
    function.automatic = true;
  }
  function.cycles = 1.0;
  function_ = which;
  source_ = immediate;
  samples_ = 1;
  readings_.clear();
  return true;
}

void Meter::add_function(std::size_t which, const std::string& pattern, SuffixUnit unit) {
  const std::vector<Parameter> range{optional(number(unit, true)), optional(number(unit, true))};
  tree_.add(":CONFigure[:SCALar]:" + pattern, range,
            [this, which](Call& call) { configure(call, which); });
  tree_.add(":MEASure[:SCALar]:" + pattern + '?', range, [this, which](Call& call) {
    if (!configure(call, which)) return;
    measure(call.now);
    call.answer(nr3(readings_.front(), 8));
    call.wait_until(operations_end());
  });
  const std::string sense = "[:SENSe]:" + pattern;
  tree_.add_number(
      sense + ":RANGe[:UPPer]", unit,
      [this, which](const Call&) {
        const Function& function = functions_[which];
        return Limits{function.ranges.front(), function.ranges.back(), function.ranges.back()};
      },
      [this, which](const Call&) { return functions_[which].ranges[functions_[which].range]; },
      [this, which](Call& call, double wanted) {
        if (!set_range(functions_[which], wanted)) call.error(-222);
        operate_until(call.now + settle());
      });
  tree_.add_boolean(
      sense + ":RANGe:AUTO", [this, which](const Call&) { return functions_[which].automatic; },
      [this, which](Call&, bool on) { functions_[which].automatic = on; });
  tree_.add_number(
      sense + ":NPLCycles", SuffixUnit::none, [](const Call&) { return Limits{0.02, 100.0, 1.0}; },
      [this, which](const Call&) { return functions_[which].cycles; },
      [this, which](Call&, double cycles) { functions_[which].cycles = cycles; });
}

void Meter::add_trigger() {
  tree_.add(":CONFigure?", {}, [this](Call& call) {
    const Function& function = functions_[function_];
    const double range = function.ranges[function.range];
    call.answer(quoted(function.name + ' ' + nr3(range, 6) + ',' + nr3(range / kCounts, 6)));
  });
  tree_.add("[:SENSe]:FUNCtion[:ON]", {text()}, [this](Call& call) {
    std::string wanted = call.values[0].text;
    for (char& c : wanted) c = c >= 'a' && c <= 'z' ? static_cast<char>(c - 'a' + 'A') : c;
    if (wanted == "VOLT" || wanted == "VOLTAGE" || wanted == "VOLT:DC" || wanted == "VOLTAGE:DC") {
      function_ = kVolts;
    } else if (wanted == "RES" || wanted == "RESISTANCE") {
      function_ = kOhms;
    } else {
      call.error(-224, wanted);
    }
  });
  tree_.add("[:SENSe]:FUNCtion[:ON]?", {},
            [this](Call& call) { call.answer(quoted(functions_[function_].name)); });
  tree_.add_word(
      ":TRIGger[:SEQuence]:SOURce", {"IMMediate", "BUS", "EXTernal"},
      [this](const Call&) { return source_; },
      [this](Call&, std::size_t which) { source_ = which; });
  tree_.add_number(
      ":TRIGger[:SEQuence]:DELay", SuffixUnit::second,
      [](const Call&) { return Limits{0.0, 3600.0, 0.0}; },
      [this](const Call&) { return delay_s_; }, [this](Call&, double delay) { delay_s_ = delay; });
  tree_.add_number(
      ":SAMPle:COUNt", SuffixUnit::none, [](const Call&) { return Limits{1.0, 1000.0, 1.0}; },
      [this](const Call&) { return static_cast<double>(samples_); },
      [this](Call&, double count) { samples_ = static_cast<int>(std::round(count)); });
  tree_.add(":INITiate[:IMMediate]", {}, [this](Call& call) { initiate(call); });
  tree_.add(":ABORt", {}, [this](Call& call) {
    stop_operations();
    end_operations(call.now);
  });
  tree_.add("*TRG", {}, [this](Call& call) {
    if (!waits_for_bus_) return call.error(-211);
    waits_for_bus_ = false;
    end_operations(call.now);
    measure(call.now);
  });
  const auto answer = [this](Call& call) {
    if (readings_.empty()) return call.error(-230);
    for (const double value : readings_) call.answer(nr3(value, 8));
    call.wait_until(operations_end());
  };
  tree_.add(":FETCh?", {}, answer);
  tree_.add(":READ?", {}, [this, answer](Call& call) {
    if (source_ != immediate) return call.error(-214);
    measure(call.now);
    answer(call);
  });
}

void Meter::initiate(Call& call) {
  if (waits_for_bus_) return call.error(-213);
  if (source_ == immediate) return measure(call.now);
  readings_.clear();
  waits_for_bus_ = true;
  operate_until(TimePoint::max());
}

void Meter::measure(TimePoint now) {
  Duration spent = from_seconds(delay_s_);
  readings_.clear();
  for (int i = 0; i < samples_; ++i) {
    const TimePoint at = now + latency().scaled(spent);
    readings_.push_back(reading(latency().acquires ? at : now, spent));
  }
  if (latency().acquires) operate_until(now + latency().scaled(spent));
}

double Meter::volts_at(board::TestPoint point, TimePoint now) {
  if (point == board::TestPoint::gnd) return 0.0;
  return world_.board()->dc_volts(world_.stimulus(now, name()), point, config_.input_ohm,
                                  world_.moment(now));
}

double Meter::truth(TimePoint now) {
  const auto contacts = world_.contacts(name(), now);
  const auto low = world_.wiring.direct(name() + "/low").value_or(board::TestPoint::gnd);
  constexpr double kPickedUp = 2e-4;  // volts rms on an open lead
  const bool open = contacts.empty() || world_.wiring.taken_off(name() + "/low");
  if (world_.board() == nullptr || open) {
    return function_ == kOhms ? HUGE_VAL : kPickedUp * random_.normal();
  }
  // Several closed relays tie their points together; their mean stands for that.
  double volts = 0.0;
  double siemens = 0.0;
  bool bouncing = false;
  for (const World::Contact& contact : contacts) {
    bouncing = bouncing || contact.bouncing;
    volts += volts_at(contact.point, now) / static_cast<double>(contacts.size());
    if (function_ != kOhms) continue;
    const double ohms =
        world_.board()->ohms(contact.point, low, world_.temperature_c, world_.moment(now));
    siemens += 1.0 / std::max(ohms, 1e-3);
  }
  volts -= volts_at(low, now);
  double value = volts;
  if (function_ == kOhms) value = 1.0 / siemens + volts / kTestCurrent;
  return bouncing ? value * random_.uniform() : value;
}

double Meter::reading(TimePoint now, Duration& spent) {
  Function& function = functions_[function_];
  const double value = truth(now);
  spent += from_seconds(function.cycles / config_.line_hz);
  if (function.automatic) {
    std::size_t wanted = 0;
    while (wanted + 1 < function.ranges.size() &&
           std::fabs(value) > kOverrange * function.ranges[wanted]) {
      ++wanted;
    }
    if (wanted != function.range) spent += latency().settle;
    function.range = wanted;
  }
  const double range = function.ranges[function.range];
  const double noise = config_.noise * range / std::sqrt(function.cycles) * random_.normal();
  const double shown =
      value * (1.0 + function.reading_error) + function.range_error * range + noise;
  const bool over = !(std::fabs(shown) <= kOverrange * range);
  status_.questionable.set_bit(0, over);
  if (over) return value < 0 ? -HUGE_VAL : HUGE_VAL;
  return std::round(shown / range * kCounts) / kCounts * range;
}

}  // namespace nightbench::mock::instrument
