// Noise of converters, sources and receivers. Pure; units in the names.
#pragma once

#include <span>

namespace nightbench::reading {

// Full-scale sine over uniform quantisation, 6.02 b + 1.76 dB (Kester, Analog Devices MT-001;
// conditions in Widrow, Kollar, Liu, IEEE TIM 45(2), 1996).
double ideal_snr_db(double bits);

// -20 log10(2 pi f s) for a sampling jitter of s rms (Analog Devices MT-007, from memory).
double jitter_snr_db(double frequency_hz, double jitter_s);

// sqrt(4 k T R), V/rtHz, k = 1.380649e-23 J/K (SI, exact).
double thermal_v_rthz(double ohm, double kelvin = 290.0);

// Noise figure from one-sided output densities of I and Q, the source resistor, and the gain from
// the source's open-circuit peak to the output peak (a ratio): F = ((S_I + S_Q)/2)/(2 G^2 4 k T0
// R). The 2 is there because each real channel receives both sidebands. The scope's own density is
// taken off both; `valid` is false when the scope makes more than half of the total.
struct NoiseFigure {
  bool valid = false;
  double factor = 0.0;
  double db = 0.0;
};
NoiseFigure noise_figure(double i_v_rthz, double q_v_rthz, double gain, double source_ohm,
                         double scope_v_rthz = 0.0);

// k T0 B F in dBm.
double noise_floor_dbm(double noise_figure_db, double bandwidth_hz);

// Mean of powers given in dB, in dB.
double mean_power_db(std::span<const double> levels_db);

}  // namespace nightbench::reading
