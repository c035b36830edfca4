#include "sequences/reading/level.hpp"

#include <cmath>
#include <numbers>

namespace nightbench::reading {

double watts_from_dbm(double dbm) {
  return 1e-3 * std::pow(10.0, dbm / 10.0);
}
double volts_rms_from_dbm(double dbm, double ohm) {
  return std::sqrt(ohm * watts_from_dbm(dbm));
}
double volts_pp_from_dbm(double dbm, double ohm) {
  return 2.0 * std::numbers::sqrt2 * volts_rms_from_dbm(dbm, ohm);
}
double dbm_from_watts(double watts) {
  return 10.0 * std::log10(watts / 1e-3);
}
double dbm_from_volts_rms(double volts, double ohm) {
  return dbm_from_watts(volts * volts / ohm);
}
double dbm_from_volts_pp(double volts, double ohm) {
  return dbm_from_volts_rms(volts / (2.0 * std::numbers::sqrt2), ohm);
}

double gain_error_db(double relative) {
  return 20.0 * std::log10(1.0 + relative);
}

Mismatch mismatch(double vswr_source, double vswr_load) {
  const double source = (vswr_source - 1.0) / (vswr_source + 1.0);
  const double load = (vswr_load - 1.0) / (vswr_load + 1.0);
  Mismatch found;
  found.upper_db = gain_error_db(source * load);
  found.lower_db = gain_error_db(-source * load);
  found.u_db = found.upper_db / std::numbers::sqrt2;
  return found;
}

PiPad pi_pad(double loss_db, double ohm) {
  const double k = std::pow(10.0, loss_db / 20.0);
  return {ohm * (k + 1.0) / (k - 1.0), ohm * (k * k - 1.0) / (2.0 * k)};
}

TPad t_pad(double loss_db, double ohm) {
  const double k = std::pow(10.0, loss_db / 20.0);
  return {ohm * (k - 1.0) / (k + 1.0), ohm * 2.0 * k / (k * k - 1.0)};
}

}  // namespace nightbench::reading
