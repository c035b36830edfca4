#include "mock_instruments/instrument/lo_source.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

namespace nightbench::mock::instrument {
namespace {

std::size_t output(const Call& call) {
  return static_cast<std::size_t>(call.suffix()) - 1;
}

}  // namespace

LoSource::LoSource(World& world, Setup setup, const LoSourceConfig& config)
    : Instrument(world, std::move(setup)), config_(config) {
  world.add_signal_source(*this);
  reset({});
  const auto clamped = [this](double hz) {
    return std::clamp(hz, config_.least_hz, config_.most_hz);
  };
  tree_.add_number(
      "[:SOURce<1:2>]:FREQuency[:CW|:FIXed]", SuffixUnit::hertz,
      [this, clamped](const Call&) {
        return Limits{config_.least_hz, config_.most_hz, clamped(10e6)};
      },
      [this](const Call&) { return hz_.target(); },
      [this](Call& call, double hz) {
        hz_.set(std::round(hz / config_.frequency_step_hz) * config_.frequency_step_hz, call.now,
                settle());
        operate_until(hz_.settled());
      });
  tree_.add_number(
      "[:SOURce<1:2>]:PHASe[:ADJust]", SuffixUnit::degree,
      [](const Call& call) { return Limits{-360.0, 360.0, call.suffix() == 2 ? 90.0 : 0.0}; },
      [this](const Call& call) { return phase_deg_[output(call)].target(); },
      [this](Call& call, double degrees) {
        Ramp& phase = phase_deg_[output(call)];
        phase.set(std::round(degrees / config_.phase_step_deg) * config_.phase_step_deg, call.now,
                  settle());
        operate_until(phase.settled());
      });
  tree_.add_number(
      "[:SOURce<1:2>]:VOLTage[:LEVel][:IMMediate][:AMPLitude]", SuffixUnit::volt,
      [this](const Call&) {
        return Limits{config_.least_v, config_.most_v,
                      std::clamp(5.0, config_.least_v, config_.most_v)};
      },
      [this](const Call& call) { return high_v_[output(call)]; },
      [this](Call& call, double volts) {
        high_v_[output(call)] = volts;
        operate_until(call.now + settle());
      });
  tree_.add_boolean(
      ":OUTPut<1:2>[:STATe]", [this](const Call& call) { return on_[output(call)]; },
      [this](Call& call, bool on) {
        on_[output(call)] = on;
        operate_until(call.now + settle());
      });
  tree_.add_word(
      "[:SOURce<1:2>]:FUNCtion[:SHAPe]", {"SQUare"}, [](const Call&) { return std::size_t{0}; },
      [](Call&, std::size_t) {});
  tree_.add_word(
      "[:SOURce<1:2>]:ROSCillator:SOURce", {"INTernal", "EXTernal"},
      [this](const Call&) { return reference_; },
      [this](Call&, std::size_t which) { reference_ = which; });
}

void LoSource::reset(TimePoint now) {
  hz_.set(std::clamp(10e6, config_.least_hz, config_.most_hz), now, {});
  phase_deg_[0].set(0.0, now, {});
  phase_deg_[1].set(90.0, now, {});
  high_v_.fill(std::clamp(5.0, config_.least_v, config_.most_v));
  on_ = {};
  reference_ = 0;
}

void LoSource::update(TimePoint now) {
  status_.operation.set_bit(
      1, now < std::max({hz_.settled(), phase_deg_[0].settled(), phase_deg_[1].settled()}));
}

double LoSource::true_hz(TimePoint now) const {
  return hz_.at(now) * (1.0 + 1e-6 * config_.frequency_error_ppm);
}

double LoSource::true_phase_deg(TimePoint now) const {
  return phase_deg_[1].at(now) - phase_deg_[0].at(now) + config_.phase_error_deg;
}

void LoSource::drive(board::Stimulus& stimulus, TimePoint now) {
  if (!world_.wiring.is_at(name(), "lo_in")) return;
  stimulus.lo_on = on();
  stimulus.lo_hz = true_hz(now);
  stimulus.lo_high_v = std::min(high_v_[0], high_v_[1]);
  stimulus.lo_phase_deg = true_phase_deg(now);
}

}  // namespace nightbench::mock::instrument
