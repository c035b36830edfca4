// What the bench does to the board: sources, supplies, loads, temperature, and the moment.
//
// Plain data, any thread. Frequencies in Hz, levels in dBm into a matched 50 ohm load.
#pragma once

#include <cstdint>
#include <optional>
#include <vector>

#include "mock_instruments/board/parameters.hpp"
#include "mock_instruments/board/test_point.hpp"

namespace nightbench::mock::board {

// A moment of simulated time since the start of the run. Whole seconds are kept apart, so that the
// phase of a 10 MHz wave after ten hours is as good as in the first second.
struct Moment {
  std::int64_t seconds = 0;
  double fraction_s = 0.0;  // any size and sign; best kept below one second

  static Moment at(double seconds);
  Moment plus(double seconds) const;
};

// Something that touches a test point: a probe or a meter, to ground.
struct Load {
  TestPoint point = TestPoint::i_out;
  double ohm = 10e6;
  double farad = 0.0;
  bool operator==(const Load&) const = default;
};

struct Stimulus {
  double rf_hz = 10.125e6;
  double rf_dbm = -40.0;
  bool rf_on = true;
  double rf_phase_deg = 0.0;  // e(t) = emf cos(2 pi f t + phase), t from the start of the run
  std::optional<double> rf_harmonic2_dbc;  // the source's own, phase-locked cosines
  std::optional<double> rf_harmonic3_dbc;

  double lo_hz = 10.120e6;
  bool lo_on = true;
  double lo_high_v = 5.0;
  double lo_phase_deg = 90.0;  // of pin 2 after pin 14; the board adds its own error
  double lo_start_deg = 0.0;   // LO phase at the start; pin 14 passes mid-swing upwards at 0 deg

  bool supply_on = true;
  double supply_v = 10.0;
  std::optional<double> switch_supply_v;  // an outside 5 V in place of the regulator

  double temperature_c = reference_temperature_c;
  std::vector<Load> loads;
};

}  // namespace nightbench::mock::board
