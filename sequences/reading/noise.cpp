#include "sequences/reading/noise.hpp"

#include <cmath>
#include <numbers>

namespace nightbench::reading {
namespace {

constexpr double boltzmann = 1.380649e-23;  // J/K, SI
constexpr double t0_k = 290.0;

}  // namespace

double ideal_snr_db(double bits) {
  return 20.0 * std::log10(std::sqrt(1.5) * std::exp2(bits));
}

double jitter_snr_db(double frequency_hz, double jitter_s) {
  return -20.0 * std::log10(2.0 * std::numbers::pi * frequency_hz * jitter_s);
}

double thermal_v_rthz(double ohm, double kelvin) {
  return std::sqrt(4.0 * boltzmann * kelvin * ohm);
}

NoiseFigure noise_figure(double i_v_rthz, double q_v_rthz, double gain, double source_ohm,
                         double scope_v_rthz) {
  const double scope = scope_v_rthz * scope_v_rthz;
  const double total = 0.5 * (i_v_rthz * i_v_rthz + q_v_rthz * q_v_rthz);
  NoiseFigure found;
  if (!(total > 2.0 * scope) || !(gain > 0.0)) return found;
  const double source = thermal_v_rthz(source_ohm, t0_k);
  found.valid = true;
  found.factor = (total - scope) / (2.0 * gain * gain * source * source);
  found.db = 10.0 * std::log10(found.factor);
  return found;
}

double noise_floor_dbm(double noise_figure_db, double bandwidth_hz) {
  return 10.0 * std::log10(boltzmann * t0_k * bandwidth_hz / 1e-3) + noise_figure_db;
}

double mean_power_db(std::span<const double> levels_db) {
  double sum = 0.0;
  for (double level : levels_db) sum += std::pow(10.0, level / 10.0);
  return 10.0 * std::log10(sum / static_cast<double>(levels_db.size()));
}

}  // namespace nightbench::reading
