// Every component value and working condition of one simulated receiver board.
//
// The board is a quadrature sampling detector: band-pass filter, transformer splitter, 3253-type
// dual 4:1 bus switch, four sampling capacitors, two difference amplifiers. Values are SI with the
// unit in the name, at 23 degC. Plain data: copy, change, hand to Board. Pure functions, any
// thread.
#pragma once

#include <array>
#include <cstdint>
#include <string_view>

namespace nightbench::mock::board {

// Capacitors, paths and cross-connections are indexed by phase: 0, 90, 180, 270 degrees.
enum class Phase : std::uint8_t { deg_0, deg_90, deg_180, deg_270 };
enum class Channel : std::uint8_t { i, q };
inline constexpr double reference_temperature_c = 23.0;

// One output stage: four-resistor difference amplifier around a one-pole op-amp.
struct StageParameters {
  double plus_input_ohm = 1e3;
  double minus_input_ohm = 1e3;
  double plus_feedback_ohm = 100e3;  // from the non-inverting input to the mid-rail
  double minus_feedback_ohm = 100e3;
  double plus_feedback_farad = 100e-12;
  double minus_feedback_farad = 100e-12;
  double offset_v = 0.0;  // input offset of the op-amp
};

// Relative change per kelvin, except where the name says otherwise.
struct TemperatureCoefficients {
  double resistor = 50e-6;
  double sampling_capacitor = 30e-6;
  double filter_capacitor = 30e-6;
  double inductor = 60e-6;
  double switch_on = 3e-3;
  double gain_bandwidth = -2e-3;
  double regulator = 40e-6;
  double offset_v_per_k = 2e-6;
  double supply_current = 1e-3;
};

struct Parameters {
  // RF port and band-pass filter: series LC, shunt LC, series LC (Butterworth low-pass prototype
  // 1, 2, 1 in the band-pass transformation).
  double source_ohm = 50.0;
  double filter_centre_hz = 10.125e6;
  double filter_bandwidth_hz = 2e6;
  double filter_ohm = 50.0;
  double filter_q = 100.0;                                // of its inductors at the centre
  std::array<double, 3> filter_inductor_factor{1, 1, 1};  // part over design value
  std::array<double, 3> filter_capacitor_factor{1, 1, 1};

  // Splitter 1:1+1, centre tap on the mid-rail.
  double winding_henry = 15e-6;
  double coupling = 0.998;
  double winding_ohm = 0.05;    // each secondary half
  double core_loss_ohm = 50e3;  // across the primary

  // Switch (5 ohm at 5 V), pins and wires.
  double switch_on_ohm = 5.0;
  double switch_off_ohm = 5e6;
  double switch_input_farad = 8e-12;
  double switch_pin_farad = 4e-12;
  double wire_ohm = 0.05;  // from a switch output to its capacitor's path
  double select_threshold_v = 2.5;
  double select_dead_v = 0.2;  // a line this near to the threshold opens all paths

  std::array<double, 4> sampling_farad{22e-9, 22e-9, 22e-9, 22e-9};
  std::array<double, 4> path_ohm{1, 1, 1, 1};

  // Output stages.
  StageParameters i_stage{.offset_v = 0.15e-3};
  StageParameters q_stage{.offset_v = -0.10e-3};
  double open_loop_gain = 100e3;
  double gain_bandwidth_hz = 10e6;
  double op_amp_output_ohm = 50.0;
  double op_amp_input_farad = 1e-12;
  double op_amp_input_ohm = 1e9;
  double swing_low_v = 0.14;   // lowest output, before the output resistance
  double swing_high_v = 0.94;  // below the supply
  double output_load_ohm = 10e3;
  double op_amp_noise_v_per_rthz = 4e-9;

  // Mid-rail: divider of the switch supply, decoupled.
  double bias_fraction = 0.5;
  double bias_ohm = 500.0;  // the two resistors in parallel
  double bias_farad = 10e-6;

  // Supplies. The op-amp runs from the supply input, the switch from the regulator.
  double supply_series_ohm = 0.0;
  double regulator_v = 5.0;
  double regulator_dropout_v = 1.2;
  double regulator_limit_a = 0.15;
  double regulator_own_a = 3e-3;
  double op_amp_supply_a = 8e-3;
  double switch_static_a = 3e-6;
  double switch_farad = 90e-12;  // dynamic current is this times volts times LO frequency

  // LO as it reaches the select pins (pin 14, pin 2).
  std::array<double, 2> lo_duty{0.5, 0.5};
  double lo_phase_error_deg = 0.0;  // pin 2 later than a quarter period
  double lo_edge_s = 2e-9;          // 0 to 100 %
  double lo_frequency_error_ppm = 0.0;
  double lo_level_factor = 1.0;  // of what the LO source gives
  double select_pull_ohm = 10e3;
  bool select_pull_up = true;  // where a line without LO rests: switch supply, or ground

  TemperatureCoefficients per_kelvin;
};

// The 30 m board of the circuit simulation (10.125 MHz filter) and its 10.000 MHz sister, every
// part at its nominal value.
Parameters healthy_30m();
Parameters healthy_10mhz();

// The same board built from real parts: 1 % resistors, 2 % sampling and feedback capacitors, 2 %
// filter parts, op-amp offsets, switch resistance, supply. Drawn from the serial alone with a
// fixed generator and no library function of the machine, so that one serial is one board
// everywhere, bit for bit.
Parameters with_tolerances(const Parameters& nominal, std::uint64_t serial);
Parameters with_tolerances(const Parameters& nominal, std::string_view serial);

// The same board at another temperature (first order in the coefficients).
Parameters at_temperature(const Parameters& board, double celsius);

}  // namespace nightbench::mock::board
