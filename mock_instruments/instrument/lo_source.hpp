// A simulated LO source: two square-wave outputs of one frequency with a set phase between them.
//
// Commands beside the common ones:
//   [:SOURce<1:2>]:FREQuency[:CW|:FIXed] <Hz>   common to both outputs
//   [:SOURce<1:2>]:PHASe[:ADJust] <deg>
//   [:SOURce<1:2>]:VOLTage[:LEVel][:IMMediate][:AMPLitude] <V>   peak to peak; low is 0 V
//   [:SOURce<1:2>]:FUNCtion[:SHAPe] SQUare      :OUTPut<1:2>[:STATe] ON|OFF
//   [:SOURce]:ROSCillator:SOURce INTernal|EXTernal
// *RST: 10 MHz, output 2 at 90 deg to output 1, 5 V, both off. Without a suffix output 1 is meant,
// for the phase too. The board has an LO while both outputs are on.
#pragma once

#include <array>

#include "mock_instruments/instrument/instrument.hpp"

namespace nightbench::mock::instrument {

struct LoSourceConfig {
  double least_hz = 8e3;
  double most_hz = 160e6;
  double frequency_step_hz = 0.01;
  double phase_step_deg = 0.01;
  double least_v = 0.5;
  double most_v = 5.5;
  double frequency_error_ppm = 0.0;
  double phase_error_deg = 0.0;  // added to the set phase
};

class LoSource final : public Instrument, public Source {
 public:
  LoSource(World& world, Setup setup, const LoSourceConfig& config);
  void drive(board::Stimulus& stimulus, TimePoint now) override;
  bool on() const { return on_[0] && on_[1]; }
  double true_hz(TimePoint now) const;
  // Output 2 after output 1, with the source's own error.
  double true_phase_deg(TimePoint now) const;

 protected:
  void reset(TimePoint now) override;
  void update(TimePoint now) override;

 private:
  LoSourceConfig config_;
  Ramp hz_;
  std::array<Ramp, 2> phase_deg_;
  std::array<double, 2> high_v_{5.0, 5.0};
  std::array<bool, 2> on_{};
  std::size_t reference_ = 0;
};

}  // namespace nightbench::mock::instrument
