// RF levels, pads and mismatch. dBm is power into a matched load of `ohm`. Pure.
#pragma once

namespace nightbench::reading {

double watts_from_dbm(double dbm);
double volts_rms_from_dbm(double dbm, double ohm = 50.0);
double volts_pp_from_dbm(double dbm, double ohm = 50.0);
double dbm_from_watts(double watts);
double dbm_from_volts_rms(double volts, double ohm = 50.0);
double dbm_from_volts_pp(double volts, double ohm = 50.0);

// 20 log10(1 + relative error).
double gain_error_db(double relative);

// Mismatch between a source and a load of given standing wave ratios: limits in dB and the
// standard uncertainty of the U-shaped distribution, upper limit / sqrt 2 (Harris and Warner,
// "Re-examination of mismatch uncertainty", 1981, from memory).
struct Mismatch {
  double upper_db = 0.0;
  double lower_db = 0.0;
  double u_db = 0.0;
};
Mismatch mismatch(double vswr_source, double vswr_load);

// Attenuator resistors for matched ends, ohm.
struct PiPad {
  double shunt_ohm = 0.0;
  double series_ohm = 0.0;
};
struct TPad {
  double series_ohm = 0.0;
  double shunt_ohm = 0.0;
};
PiPad pi_pad(double loss_db, double ohm = 50.0);
TPad t_pad(double loss_db, double ohm = 50.0);

}  // namespace nightbench::reading
