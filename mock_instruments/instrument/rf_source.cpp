#include "mock_instruments/instrument/rf_source.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

namespace nightbench::mock::instrument {

RfSource::RfSource(World& world, Setup setup, const RfSourceConfig& config)
    : Instrument(world, std::move(setup)), config_(config) {
  add_commands();
  world.add_signal_source(*this);
  reset({});
}

void RfSource::reset(TimePoint now) {
  hz_.set(std::clamp(100e6, config_.least_hz, config_.most_hz), now, {});
  dbm_.set(config_.least_dbm, now, {});
  phase_deg_ = 0.0;
  on_ = false;
  level_unit_ = 0;
  reference_ = 0;
}

void RfSource::update(TimePoint now) {
  status_.operation.set_bit(1, now < std::max(hz_.settled(), dbm_.settled()));
}

double RfSource::level_error_db(double hz) const {
  return config_.level_error_db + config_.level_slope_db_per_decade * std::log10(hz / 10e6);
}
double RfSource::true_hz(TimePoint now) const {
  return hz_.at(now) * (1.0 + 1e-6 * config_.frequency_error_ppm);
}
double RfSource::true_dbm(TimePoint now) const {
  return dbm_.at(now) + level_error_db(hz_.at(now));
}

void RfSource::drive(board::Stimulus& stimulus, TimePoint now) {
  if (!world_.wiring.is_at(name(), "rf_in")) return;
  stimulus.rf_on = on_;
  stimulus.rf_hz = true_hz(now);
  stimulus.rf_dbm = true_dbm(now) - world_.rf_path_loss_db;
  stimulus.rf_phase_deg = phase_deg_;
  stimulus.rf_harmonic2_dbc = config_.harmonic2_dbc;
  stimulus.rf_harmonic3_dbc = config_.harmonic3_dbc;
}

void RfSource::add_commands() {
  tree_.add_number(
      "[:SOURce]:FREQuency[:CW|:FIXed]", SuffixUnit::hertz,
      [this](const Call&) {
        return Limits{config_.least_hz, config_.most_hz,
                      std::clamp(100e6, config_.least_hz, config_.most_hz)};
      },
      [this](const Call&) { return hz_.target(); },
      [this](Call& call, double hz) {
        hz_.set(std::round(hz / config_.frequency_step_hz) * config_.frequency_step_hz, call.now,
                settle());
        operate_until(hz_.settled());
      });
  tree_.add_number(
      "[:SOURce]:POWer[:LEVel][:IMMediate][:AMPLitude]", SuffixUnit::dbm,
      [this](const Call&) {
        return Limits{config_.least_dbm, config_.most_dbm, config_.least_dbm};
      },
      [this](const Call&) {
        // V: rms into 50 ohm, 0 dBm = 0.223607 V
        return level_unit_ == 0 ? dbm_.target()
                                : std::sqrt(0.05) * std::pow(10, dbm_.target() / 20);
      },
      [this](Call& call, double dbm) {
        dbm_.set(std::round(dbm / config_.level_step_db) * config_.level_step_db, call.now,
                 settle());
        operate_until(dbm_.settled());
      });
  tree_.add_number(
      "[:SOURce]:PHASe[:ADJust]", SuffixUnit::degree,
      [](const Call&) { return Limits{-360.0, 360.0, 0.0}; },
      [this](const Call&) { return phase_deg_; },
      [this](Call&, double degrees) { phase_deg_ = degrees; });
  tree_.add_boolean(
      ":OUTPut[:STATe]", [this](const Call&) { return on_; },
      [this](Call& call, bool on) {
        on_ = on;
        operate_until(call.now + settle());
      });
  tree_.add_word(
      ":UNIT:POWer", {"DBM", "V"}, [this](const Call&) { return level_unit_; },
      [this](Call&, std::size_t unit) { level_unit_ = unit; });
  tree_.add_word(
      "[:SOURce]:ROSCillator:SOURce", {"INTernal", "EXTernal"},
      [this](const Call&) { return reference_; },
      [this](Call&, std::size_t which) { reference_ = which; });
}

}  // namespace nightbench::mock::instrument
