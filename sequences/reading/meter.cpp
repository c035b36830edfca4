#include "sequences/reading/meter.hpp"

#include <fmt/core.h>

#include <cmath>

namespace nightbench::reading {

double accuracy_limit(const MeterAccuracy& accuracy, double reading) {
  return accuracy.temperature_factor * (std::abs(reading) * accuracy.percent_of_reading / 100.0 +
                                        accuracy.range * accuracy.percent_of_range / 100.0 +
                                        accuracy.digits * accuracy.last_place);
}

double unloaded(double reading, const Loading& loading) {
  return reading * (1.0 + loading.source_ohm / loading.input_ohm);
}

double loaded(double open_voltage, const Loading& loading) {
  return open_voltage * loading.input_ohm / (loading.source_ohm + loading.input_ohm);
}

double parallel_ohm(double r1, double r2) {
  return r1 * r2 / (r1 + r2);
}

Outcome meter_reading(std::string quantity, double reading, std::string unit,
                      const MeterAccuracy& accuracy, const std::optional<Loading>& loading) {
  constexpr double overload = 9.9e37;  // SCPI-99, numbers that stand for infinity
  if (!std::isfinite(reading) || std::abs(reading) >= overload) {
    return no_reading(Reason::not_measured,
                      fmt::format("the meter answered {:g}: overload or no number", reading));
  }
  const double limit = accuracy_limit(accuracy, reading);
  double value = reading;
  double sensitivity = 1.0;
  Budget budget;
  if (loading) {
    const double ratio = loading->source_ohm / loading->input_ohm;
    value = unloaded(reading, *loading);
    sensitivity = 1.0 + ratio;
    budget.add_b("meter input resistance", std::abs(reading) * ratio * loading->u_input_rel);
    budget.add_b("source resistance", std::abs(reading) * ratio * loading->u_source_rel);
  }
  budget.add_b("meter accuracy", standard_u(limit, Distribution::rectangular),
               Distribution::rectangular, sensitivity);
  return make_reading(std::move(quantity), value, std::move(unit), std::move(budget));
}

}  // namespace nightbench::reading
