// Gain balance, quadrature and image rejection of an I/Q pair: exact forms, both ways.
//
// Model: I = cos x, Q = s g sin(x - s phi), x turning with f_RF - f_LO. g is the gain ratio Q over
// I, phi the departure from exact quadrature, s = +1 or -1 the wiring sense of the board: with
// s = +1 Q lags I by 90 deg + phi for RF above the LO; with s = -1 it leads by as much. So phi is
// the angle between I and Q less 90 deg, whichever leads.
// A sampler whose capacitors are visited 0, 1, 2, 3 with I = V0 - V2 and Q = V1 - V3 has s = -1.
// Pure; no states.
#pragma once

#include <array>
#include <complex>

#include "sequences/signal/samples.hpp"
#include "sequences/signal/spectrum.hpp"

namespace nightbench::signal {

// 10 log10((1 + 2 g cos p + g^2) / (1 - 2 g cos p + g^2)) (Harvey, IMR function, MathWorks File
// Exchange 261). Infinite for g = 1, p = 0; negative when |phi| > 90 deg.
double image_rejection_db(double gain_ratio, double phi_rad);

// 1 / |kappa|^2 in dB; infinite at 0.
double image_rejection_db(std::complex<double> kappa);

// Errors that alone give a rejection: the phase (deg), and the gain (dB).
double phase_error_deg_for(double image_rejection_db);
double gain_error_db_for(double image_rejection_db);

// kappa, the complex image over the wanted line: from phasors of I and Q at the positive
// frequency. Whichever side is larger counts as wanted. g exp(-j phi) = (1 - kappa)/(1 + kappa).
struct Image {
  std::complex<double> kappa;  // |kappa| <= 1
  double gain_ratio = 1.0;     // g
  double phi_rad = 0.0;        // |Delta| - pi/2, Delta the wrapped phase of Q less I
  int turning = 0;             // +1: I + jQ turns with +f; -1: with -f
};
Image image_of(std::complex<double> i_v, std::complex<double> q_v);

std::complex<double> kappa_of(double gain_ratio, double phi_rad);

// [I'; Q'] = [[1, 0], [s tan phi, s/(g cos phi)]] [I - I0; Q - Q0] gives cos x and sin x. Holds at
// one frequency only. Row 2 is what is returned.
std::array<double, 2> correction_row(double gain_ratio, double phi_rad, int sense);

// Second moments, without a fit: a cross-check that cannot tell the sense and lumps noise and spurs
// in. Means are removed with the same weights. Whole periods or a window, or it reads high.
struct BlindMoments {
  double gain_ratio = 0.0;
  double phi_rad = 0.0;
  double rho = 0.0;  // |E z^2| / E|z|^2
  double image_rejection_db = 0.0;
};
Expected<BlindMoments> blind_moments(const Trace& i, const Trace& q, Window weights,
                                     bool remove_means = true);

}  // namespace nightbench::signal
