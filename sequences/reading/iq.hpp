// Everything that one capture of I and Q tells about a receiver board.
//
// Sign conventions, in one place:
//   * signed IF = f_RF - f_LO. The boards this was written for have sense -1: Q LEADS I by 90 deg
//     for RF above the LO. Sense +1 (Q lags) is a board with two lines exchanged.
//   * q_minus_i_deg: phase of Q less phase of I at one instant, in (-180, 180].
//   * phase_error_deg: |q_minus_i_deg| - 90, so that it belongs to the board and keeps its sign
//     when the RF crosses the LO.
//   * gain_balance_db: 20 log10(Q / I).
//   * conversion gain: output peak over the OPEN-CIRCUIT peak of the source that feeds the board,
//     EMF = 2 sqrt(2 R P), P the set level less the path loss. Against the voltage across a matched
//     load the same board has 6.02 dB more.
//   * inputs are standard uncertainties (k = 1), outputs expanded ones (k = 2).
// Pure and safe in any number of threads.
#pragma once

#include <array>
#include <complex>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "sequences/reading/reading.hpp"
#include "sequences/reading/refusal.hpp"
#include "sequences/signal/image.hpp"
#include "sequences/signal/samples.hpp"
#include "sequences/signal/two_channel_fit.hpp"

namespace nightbench::reading {

// What the scope's two channels do to the ratio Q / I. Not calibrated: gain_ratio_db and skew_s
// are 0 and the two u are what the data sheet allows. The defaults are two channels of 2 % each,
// rectangular, and 1 ns between them, rectangular.
struct ChannelMatch {
  bool calibrated = false;
  double gain_ratio_db = 0.0;  // Q channel over I channel, for equal inputs; divided out
  double u_gain_ratio_db = 0.1418;
  double skew_s = 0.0;  // the Q channel's sample of an instant comes this much late; divided out
  double u_skew_s = 0.577e-9;
};

enum class DeadChannelPolicy : std::uint8_t {
  live_channel,  // one silent channel: amplitude and IF from the other, no phase or balance
  refuse,        // one silent channel: nothing
};

struct IqContext {
  double rf_hz = 0.0;
  double lo_hz = 0.0;
  int sense = -1;  // -1: Q leads I for RF above the LO

  // The source. No level: no conversion gain.
  std::optional<double> level_dbm;  // set level, into a matched load
  double path_loss_db = 0.0;        // between the source's port and the board, > 0 is a loss
  double source_ohm = 50.0;
  double u_level_db = 0.29;  // +-0.5 dB, rectangular
  double u_path_loss_db = 0.0;
  double u_source_frequency_rel = 1e-6;
  double u_lo_frequency_rel = 1e-6;
  bool common_reference = false;  // RF and LO hang on one reference: their errors cancel

  // The scope.
  ChannelMatch match;
  double u_gain_rel = 0.0115;  // of one channel's volts: +-2 %, rectangular
  double u_offset_v = 0.0;     // of one channel's DC
  double u_time_base_rel = 1e-5;
  double probe_loading_db = 0.0;  // what the probe takes away, > 0; added back
  double u_probe_loading_db = 0.0;
  std::optional<double> full_scale_v;  // peak to peak; none: no effective bits

  // The fit.
  int harmonics = 5;  // fitted with the fundamental; THD counts these
  DeadChannelPolicy dead_channel = DeadChannelPolicy::live_channel;
  RefusalLimits limits;
};

// Something the reader must know that is not a refusal.
enum class FindingKind : std::uint8_t {
  channel_dead,
  rejections_disagree,   // the two ways to image rejection differ by more than they may
  amplitudes_far_apart,  // Q / I beyond 6 dB
  not_quadrature,        // the angle is more than 30 deg from +-90
  sense_reversed,        // I + jQ turns the other way than f_RF - f_LO and the board's sense say
  coloured_noise,        // uncertainties were widened for it
  match_missing,         // the channels' own mismatch is not calibrated
};
const char* name(FindingKind kind);

struct Finding {
  FindingKind kind = FindingKind::match_missing;
  std::string detail;
};

struct IqResult {
  // Set when the whole capture is refused; every tone quantity then carries the same reason.
  std::optional<NoReading> refused;

  Outcome if_hz = not_measured();          // magnitude
  Outcome signed_if_hz = not_measured();   // f_RF - f_LO by the sense; none when |IRR| < 6 dB
  Outcome if_error_hz = not_measured();    // if_hz less |f_RF - f_LO|
  Outcome i_amplitude_v = not_measured();  // peak, at the board (probe loading added back)
  Outcome q_amplitude_v = not_measured();
  Outcome i_offset_v = not_measured();  // DC; given also when there is no tone
  Outcome q_offset_v = not_measured();
  Outcome gain_balance_db = not_measured();
  Outcome q_minus_i_deg = not_measured();
  Outcome phase_error_deg = not_measured();
  Outcome image_rejection_db = not_measured();           // from the fit
  Outcome image_rejection_spectrum_db = not_measured();  // from the spectrum of I + jQ
  Outcome conversion_gain_db = not_measured();           // |Y_I -+ j Y_Q| / 2 over EMF
  Outcome conversion_gain_i_db = not_measured();
  Outcome conversion_gain_q_db = not_measured();
  Outcome thd_i_db = not_measured();
  Outcome thd_q_db = not_measured();
  Outcome sinad_i_db = not_measured();
  Outcome sinad_q_db = not_measured();
  Outcome enob_i = not_measured();
  Outcome enob_q = not_measured();
  Outcome noise_i_v_rthz = not_measured();  // one-sided density beside the lines
  Outcome noise_q_v_rthz = not_measured();

  // kappa with the scope's mismatch divided out, its covariance, and the correction row; none
  // without both channels. Average kappa over repeats, never image rejection in dB.
  std::optional<std::complex<double>> kappa;
  KappaCovariance kappa_u;                 // all contributions
  KappaCovariance kappa_u_a;               // type A alone: this is what repeats reduce
  std::array<double, 2> correction_row{};  // see signal::correction_row

  std::optional<signal::TwoChannelFit> fit;  // as fitted, nothing divided out
  std::vector<Finding> findings;
};

IqResult measure_iq(const signal::Trace& i, const signal::Trace& q, const IqContext& context);

// All quantities with their names, in a fixed order.
struct NamedOutcome {
  std::string_view name;
  const Outcome* outcome;
};
std::vector<NamedOutcome> quantities(const IqResult& result);

// One by name ("image_rejection_db"); null for a name that is none.
const Outcome* find(const IqResult& result, std::string_view quantity);

// Image rejection of repeats of one point: mean of kappa, type A from their spread or from the
// captures' own noise, whichever is larger. Refuses an empty list.
Outcome image_rejection_of(const std::vector<const IqResult*>& repeats);

// EMF peak of a source, volts: 2 sqrt(2 R P).
double emf_peak_v(double level_dbm, double source_ohm);

}  // namespace nightbench::reading
