// The I/Q correction of a board: what a receiver does to I and Q so that the image goes away.
//
// One row per place (RF, offset, level) where both channels were read; repeats of a place are
// averaged as the complex kappa, whose mean is unbiased (averaged image rejection in dB is not).
// Each row gives the same correction in two forms, offsets taken away first:
//   2x2:      I' = I,  Q' = q_from_i I + q_from_q Q. I' + jQ' turns with f_RF - f_LO whichever way
//             the board is wired, and I', Q' have the amplitude of I.
//   complex:  z' = z - w conj(z), z = I + jQ, w = (1 - g exp(j phi)) / (1 + g exp(j phi)), g the
//             ratio Q / I, phi the departure from quadrature. Keeps the board's sense.
// Both follow from the model in sequences/signal/image.hpp by algebra alone. A row holds at its own
// frequency: errors of the LO scale with RF, those of the op-amps with IF.
// Computed from the record alone. Pure.
#pragma once

#include <complex>
#include <string>
#include <vector>

#include "sequences/record/run.hpp"

namespace nightbench::report {

struct CorrectionRow {
  double rf_hz = 0.0;
  double lo_hz = 0.0;
  double offset_hz = 0.0;  // RF less LO
  double level_dbm = 0.0;
  int captures = 0;        // that were averaged

  double gain_balance_db = 0.0;  // Q over I
  double u_gain_balance_db = 0.0;  // expanded, k = 2
  double phase_error_deg = 0.0;
  double u_phase_error_deg = 0.0;  // expanded, k = 2
  double i_offset_v = 0.0;
  double q_offset_v = 0.0;

  double q_from_i = 0.0;
  double q_from_q = 1.0;
  std::complex<double> w;

  double rejection_before_db = 0.0;
  double rejection_after_db = 0.0;  // at least this much is left of doubt: |kappa| <= U of kappa
};

// By offset, level, then RF, all rising. Places without a reading of gain balance, phase error and
// both offsets are left out.
std::vector<CorrectionRow> correction_table(const record::Run& run);

// RFC 4180 with a header row; columns are the members above, w as image_re and image_im. Only the
// header row when there are no rows.
std::string correction_csv(const record::Run& run);

// The same with the board's identity: docs/reference/schema/correction.schema.json.
std::string correction_json(const record::Run& run);

}  // namespace nightbench::report
