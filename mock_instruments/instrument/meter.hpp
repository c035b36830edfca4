// A simulated digital meter: DC volts and two-wire ohms.
//
// Commands beside the common ones (SCPI-1999), F standing for VOLTage[:DC] or RESistance:
//   :CONFigure[:SCALar]:F [<range>[,<resolution>]]   :CONFigure?   :MEASure[:SCALar]:F? [...]
//   :READ?  :INITiate[:IMMediate]  :FETCh?  :ABORt  *TRG
//   [:SENSe]:FUNCtion[:ON] "VOLT:DC"|"RES"   [:SENSe]:F:RANGe[:UPPer]  :RANGe:AUTO  :NPLCycles
//   :TRIGger[:SEQuence]:SOURce IMMediate|BUS|EXTernal  :TRIGger:DELay <s>  :SAMPle:COUNt <n>
// Ranges: 0.1, 1, 10, 100, 1000 V; 100 ohm to 100 Mohm; each reads up to 120 %. Beyond that, and
// with nothing connected for ohms, the answer is 9.9E+37 and QUEStionable bit 0 is set.
//
// It reads the mean volts of whatever its port touches (by hand, or through closed relays) against
// its low lead ("<meter>/low", ground unless put elsewhere or taken off). While a relay bounces,
// readings are anything between nothing and the truth. Ohms of a powered board are wrong, as in
// life.
#pragma once

#include <array>
#include <string>
#include <vector>

#include "mock_instruments/instrument/instrument.hpp"

namespace nightbench::mock::instrument {

struct MeterConfig {
  double input_ohm = 10e6;
  double line_hz = 50.0;
  // Limits of the errors, drawn from the seed once for each function.
  double volts_reading = 2e-4;  // of the reading
  double volts_range = 5e-5;    // of the range
  double ohms_reading = 5e-4;
  double ohms_range = 1e-4;
  double noise = 1e-6;  // rms, of the range, over one power line cycle
};

class Meter final : public Instrument {
 public:
  Meter(World& world, Setup setup, const MeterConfig& config);

 protected:
  void reset(TimePoint now) override;
  void stop_operations() override;

 private:
  struct Function {
    std::string name;            // as answered: "VOLT"
    std::vector<double> ranges;  // full scale, rising
    double reading_error = 0.0;
    double range_error = 0.0;
    std::size_t range = 0;
    bool automatic = true;
    double cycles = 1.0;  // power line cycles
  };
  void add_function(std::size_t which, const std::string& pattern, SuffixUnit unit);
  void add_trigger();
  // Takes the optional range of CONFigure and MEASure?; false when refused.
  bool configure(Call& call, std::size_t which);
  bool set_range(Function& function, double wanted);
  void initiate(Call& call);
  void measure(TimePoint now);
  double truth(TimePoint now);  // what is between the leads
  double volts_at(board::TestPoint point, TimePoint now);
  double reading(TimePoint now, Duration& spent);

  MeterConfig config_;
  std::array<Function, 2> functions_;
  std::size_t function_ = 0;
  std::size_t source_ = 0;
  double delay_s_ = 0.0;
  int samples_ = 1;
  bool waits_for_bus_ = false;
  std::vector<double> readings_;
};

}  // namespace nightbench::mock::instrument
