// A simulated DC supply with one to three outputs.
//
// Commands beside the common ones, for the selected output:
//   :INSTrument[:SELect] OUT1..3 or :INSTrument:NSELect 1..3
//   [:SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude] <V>    [:SOURce]:CURRent[...] <A>   the limit
//   [:SOURce]:VOLTage:PROTection[:LEVel] <V>  :VOLTage:PROTection:STATe
//   :VOLTage:PROTection:TRIPped?
//   [:SOURce]:CURRent:PROTection:STATe ON|OFF  :CURRent:PROTection:TRIPped?
//   :OUTPut[:STATe] ON|OFF   :OUTPut:PROTection:CLEar
//   :MEASure[:SCALar]:VOLTage[:DC]?  :MEASure[:SCALar]:CURRent[:DC]?
// Above the limit the output drops to constant current; with CURRent:PROTection on it trips: off,
// QUEStionable bit 1 until :OUTPut:PROTection:CLEar, and :OUTPut ON gives -221 before that. Over
// voltage protection does the same with bit 0. OPERation bits 8 and 10: constant voltage, current.
// *RST: 0 V, least limit, off, over-current protection off.
//
// Output 1 at supply_in feeds the board; any output at switch_supply stands for its regulator.
#pragma once

#include <cstddef>
#include <vector>

#include "mock_instruments/instrument/instrument.hpp"

namespace nightbench::mock::instrument {

struct SupplyConfig {
  int outputs = 2;
  double most_v = 30.0;
  double most_a = 3.0;
  double voltage_step_v = 1e-3;
  double current_step_a = 1e-4;
  double voltage_error = 0.0;  // of the set value, relative
  double measure_voltage_error = 0.0;
  double measure_current_error = 0.0;
  double measure_noise_v = 2e-4;  // rms
  double measure_noise_a = 2e-5;
  Duration ramp = std::chrono::milliseconds(20);  // soft start, scaled with the latency
};

class Supply final : public Instrument, public Source {
 public:
  Supply(World& world, Setup setup, const SupplyConfig& config);
  void drive(board::Stimulus& stimulus, TimePoint now) override;

  struct Terminals {
    bool on = false;
    bool tripped = false;
    double volts = 0.0;
    double amperes = 0.0;
  };
  // Output 1, 2, ... as it is now.
  Terminals terminals(int output, TimePoint now);
  int outputs() const { return config_.outputs; }
  // Whether output k is wired to the board's supply input.
  bool feeds_board(int output) const;

 protected:
  void reset(TimePoint now) override;
  void update(TimePoint now) override;

 private:
  enum class Trip : std::uint8_t { none, over_voltage, over_current };
  struct Output {
    Ramp volts;
    double set_v = 0.0;
    double limit_a = 0.1;
    double protect_v = 33.0;
    bool protect_voltage = false;
    bool protect_current = false;
    bool on = false;
    Trip trip = Trip::none;
    bool limited = false;
    double amperes = 0.0;
  };
  void add_settings();
  void add_protection();
  void add_measurements();
  Output& selected() { return outputs_[selected_]; }
  void ramp_to(Output& output, double volts, TimePoint now);
  void trip(Output& output, Trip why);
  // Lets one output meet its load under `stimulus`, and enters the result there.
  void meet_load(std::size_t index, board::Stimulus& stimulus, TimePoint now);
  std::string port(std::size_t index) const;

  SupplyConfig config_;
  std::vector<Output> outputs_;
  std::size_t selected_ = 0;
};

}  // namespace nightbench::mock::instrument
