// DC and resistance readings of a meter: its accuracy statement, and what its input resistance
// does to the node. Units: volts (or ohms), percent as printed in data sheets.
#pragma once

#include <optional>
#include <string>

#include "sequences/reading/reading.hpp"

namespace nightbench::reading {

// +-(percent_of_reading + percent_of_range + digits counts), rectangular (GUM 4.3.7, from memory).
struct MeterAccuracy {
  double percent_of_reading = 0.0;
  double percent_of_range = 0.0;
  double range = 0.0;               // full scale of the range in use
  double digits = 0.0;              // counts of the last place
  double last_place = 0.0;          // one count
  double temperature_factor = 1.0;  // outside the specified range of temperature
};

// Half width of the statement at a reading.
double accuracy_limit(const MeterAccuracy& accuracy, double reading);

// The node: its source resistance (R1 || R2 for a divider), the meter's input resistance, and how
// well that is known (relative standard uncertainty; 1 % rectangular by default).
struct Loading {
  double source_ohm = 0.0;
  double input_ohm = 10e6;
  double u_input_rel = 0.01 / 1.7320508075688772;
  double u_source_rel = 0.05 / 1.7320508075688772;
};

// What the meter would have read without loading the node: reading * (1 + R_th / R_in).
double unloaded(double reading, const Loading& loading);
double loaded(double open_voltage, const Loading& loading);
double parallel_ohm(double r1, double r2);

// A reading with its budget; loading is corrected when given. Refuses values that are not finite
// (instruments answer 9.9E37 for an overload: that is not_measured too).
Outcome meter_reading(std::string quantity, double reading, std::string unit,
                      const MeterAccuracy& accuracy, const std::optional<Loading>& loading = {});

}  // namespace nightbench::reading
