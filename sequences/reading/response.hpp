// Quantities that need more than one capture: over the band, over level, over both sides of the
// LO, over a swap of channels, over time. Pure; units in the names.
#pragma once

#include <complex>
#include <optional>
#include <span>
#include <vector>

#include "sequences/reading/reading.hpp"

namespace nightbench::reading {

// One point of a curve; u is its standard uncertainty (the part that differs from point to point).
struct Point {
  double x = 0.0;
  double y = 0.0;
  double u = 0.0;
};

// Where the response falls by `drop_db` below its reference on each side of the largest point.
// Reference: the largest point, or the mean over [low_x, high_x] when given. Points need not be
// sorted. Linear interpolation between neighbours; an edge that lies outside the points is
// not_measured, with what was seen at the last point.
struct Edges {
  Outcome lower;
  Outcome upper;
  Outcome width;
};
Edges edges(std::vector<Point> response, double drop_db,
            std::optional<double> reference_db = std::nullopt);

// Largest less smallest inside [low_x, high_x]. Refuses fewer than 3 points.
Outcome ripple_db(std::span<const Point> response, double low_x, double high_x);

// The corner of a low-pass response: where it is `drop_db` below the mean of the lowest quarter of
// the points (at least two).
Outcome corner_hz(std::vector<Point> response, double drop_db = 3.0102999566398120);

// 1 dB compression from (input level dBm, output dB): a line of slope 1 through the points below
// -`fit_range_db` of the highest, then interpolation where the output is 1 dB under it.
struct Compression {
  Outcome input_dbm;          // at 1 dB compression
  Outcome small_signal_gain;  // dB, output less input
};
Compression compression(std::vector<Point> sweep, double fit_range_db = 10.0);

// Errors of source and LO told apart: signed IFs measured with the RF set `offset_hz` above and
// below the LO setting. RF_true = RF_set (1 + r), LO_true = LO_set + l:
// above - below - 2 offset = r (RF_above - RF_below); the mean is r (RF_above + RF_below)/2 - l.
// With one relative error r of the source the two sides give r from the difference, and l from the
// sum; `u_hz` is that of each IF.
struct FrequencyErrors {
  Outcome lo_error_hz;  // of the LO, given the source's time base as truth
  Outcome rf_error_hz;  // of the source, from the spacing of its two settings
};
struct SignedIf {
  double rf_set_hz = 0.0;
  double signed_if_hz = 0.0;
  double u_hz = 0.0;
};
FrequencyErrors frequency_errors(const SignedIf& above, const SignedIf& below, double lo_set_hz,
                                 double u_source_rel);

// LO quadrature told apart from baseband and scope delay, from q_minus_i at equal |IF| on both
// sides of the LO, degrees, for a board of the given sense:
// phi_LO = s (below - above)/2 - 90 deg, delay phase 360 f tau = -(above + below)/2.
struct SideSplit {
  double lo_phase_error_deg = 0.0;
  double delay_phase_deg = 0.0;
  double delay_s = 0.0;
  double u_deg = 0.0;  // of both phases
};
SideSplit split_sides(double above_deg, double below_deg, double if_hz, int sense,
                      double u_each_deg = 0.0);

// Channel match by swapping the probes: with m = Y_Q / Y_I, straight m1 = q c, swapped m2 = q / c,
// c the scope's ratio (channel that was on Q over the other) and q the board's.
// Branch of the root: nearest to `expected_deg` (+-90).
struct SwapMatch {
  std::complex<double> board;
  std::complex<double> scope;
};
SwapMatch swap_match(std::complex<double> straight, std::complex<double> swapped,
                     double expected_deg);

// Channel match with both probes on one node at several frequencies: gain ratio and skew with
// uncertainties from the scatter. Ratios are second over first.
struct NodeMatch {
  double gain_ratio_db = 0.0;
  double u_gain_ratio_db = 0.0;
  double skew_s = 0.0;
  double u_skew_s = 0.0;
};
struct Ratio {
  double frequency_hz = 0.0;
  std::complex<double> ratio;
  double u_rel = 0.0;  // of each part, relative
};
std::expected<NodeMatch, NoReading> node_match(std::span<const Ratio> ratios);

// Slope of y over time by least squares, per hour. Points carry seconds in x.
Outcome drift_per_hour(std::span<const Point> points, std::string quantity, std::string unit);

}  // namespace nightbench::reading
