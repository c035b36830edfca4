// A simulated RF signal source: one output, frequency, level, phase.
//
// Commands beside the common ones (SCPI-1999):
//   [:SOURce]:FREQuency[:CW|:FIXed] <Hz>          [:SOURce]:POWer[:LEVel][:IMMediate][:AMPLitude]
//   <dBm>
//   [:SOURce]:PHASe[:ADJust] <deg>                :OUTPut[:STATe] ON|OFF
//   :UNIT:POWer DBM|V (how POWer? answers)        [:SOURce]:ROSCillator:SOURce INTernal|EXTernal
// MIN, MAX, DEF work with the first three. *RST: 100 MHz or the nearest allowed, least level, off.
// OPERation bit 1 (settling) is set while frequency or level settle; *OPC? waits for that.
#pragma once

#include <cstdint>
#include <optional>

#include "mock_instruments/instrument/instrument.hpp"

namespace nightbench::mock::instrument {

struct RfSourceConfig {
  double least_hz = 9e3;
  double most_hz = 3e9;
  double frequency_step_hz = 0.01;
  double least_dbm = -120.0;
  double most_dbm = 13.0;
  double level_step_db = 0.01;
  // Errors, fixed: what the output is over what it says.
  double frequency_error_ppm = 0.0;
  double level_error_db = 0.0;             // flat
  double level_slope_db_per_decade = 0.0;  // of frequency, 0 at 10 MHz
  std::optional<double> harmonic2_dbc;
  std::optional<double> harmonic3_dbc;
};

class RfSource final : public Instrument, public Source {
 public:
  RfSource(World& world, Setup setup, const RfSourceConfig& config);
  // Drives the board's RF input when its port is on rf_in.
  void drive(board::Stimulus& stimulus, TimePoint now) override;

  // The output as it is now, whatever it is connected to.
  bool on() const { return on_; }
  double true_hz(TimePoint now) const;
  double true_dbm(TimePoint now) const;  // at the terminals
  // The level error at a frequency.
  double level_error_db(double hz) const;

 protected:
  void reset(TimePoint now) override;
  void update(TimePoint now) override;

 private:
  void add_commands();

  RfSourceConfig config_;
  Ramp hz_;
  Ramp dbm_;
  double phase_deg_ = 0.0;
  bool on_ = false;
  std::size_t level_unit_ = 0;
  std::size_t reference_ = 0;
};

}  // namespace nightbench::mock::instrument
