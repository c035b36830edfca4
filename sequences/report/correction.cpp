#include "sequences/report/correction.hpp"

#include <cmath>
#include <map>
#include <numbers>
#include <optional>
#include <tuple>

#include "sequences/signal/image.hpp"

namespace nightbench::report {
namespace {

constexpr double kDegree = std::numbers::pi / 180;
constexpr double kNeper_db = 20 / std::numbers::ln10;

struct Seen {
  double gain_balance_db = 0, u_gain_balance_db = 0;
  double phase_error_deg = 0, u_phase_error_deg = 0;
  double q_minus_i_deg = 0;
  double i_offset_v = 0, q_offset_v = 0;
};

std::optional<Seen> seen_at(const record::Point& point) {
  Seen seen;
  int found = 0;
  for (const record::Reading& reading : point.readings) {
    if (!reading.value) continue;
    const double value = *reading.value;
    ++found;
    if (reading.quantity == "gain_balance") {
      seen.gain_balance_db = value;
      seen.u_gain_balance_db = reading.expanded_u;
    } else if (reading.quantity == "phase_error") {
      seen.phase_error_deg = value;
      seen.u_phase_error_deg = reading.expanded_u;
    } else if (reading.quantity == "q_minus_i") {
      seen.q_minus_i_deg = value;
    } else if (reading.quantity == "i_offset") {
      seen.i_offset_v = value;
    } else if (reading.quantity == "q_offset") {
      seen.q_offset_v = value;
    } else {
      --found;
    }
  }
  if (found != 5) return std::nullopt;
  return seen;
}

// Sums over the repeats of one place.
struct Sums {
  int count = 0;
  double lo_hz = 0;
  double turning = 0;  // of Q against I and the side of the LO: its sign is that of the majority
  std::complex<double> kappa;
  double u_gain_balance_db = 0, u_phase_error_deg = 0;
  double i_offset_v = 0, q_offset_v = 0;

  void add(const Seen& seen, double offset_hz, double lo) {
    ++count;
    lo_hz = lo;
    turning += std::copysign(1.0, seen.q_minus_i_deg) * std::copysign(1.0, offset_hz);
    kappa += signal::kappa_of(std::exp(seen.gain_balance_db / kNeper_db),
                              seen.phase_error_deg * kDegree);
    u_gain_balance_db += seen.u_gain_balance_db;
    u_phase_error_deg += seen.u_phase_error_deg;
    i_offset_v += seen.i_offset_v;
    q_offset_v += seen.q_offset_v;
  }
};

CorrectionRow row_of(const Sums& sums) {
  CorrectionRow row;
  const double n = sums.count;
  const std::complex<double> kappa = sums.kappa / n;
  const std::complex<double> q = (1.0 - kappa) / (1.0 + kappa);  // g exp(-j phi)
  const double gain_ratio = std::abs(q);
  const double phi_rad = -std::arg(q);
  const int sense = sums.turning > 0 ? -1 : 1;  // Q leads above the LO: -1
  row.lo_hz = sums.lo_hz;
  row.captures = sums.count;
  row.gain_balance_db = kNeper_db * std::log(gain_ratio);
  row.phase_error_deg = phi_rad / kDegree;
  // Most of U is common to the repeats (the scope's mismatch): it is not divided by their number.
  row.u_gain_balance_db = sums.u_gain_balance_db / n;
  row.u_phase_error_deg = sums.u_phase_error_deg / n;
  row.i_offset_v = sums.i_offset_v / n;
  row.q_offset_v = sums.q_offset_v / n;
  const auto second_row = signal::correction_row(gain_ratio, phi_rad, sense);
  row.q_from_i = second_row[0];
  row.q_from_q = second_row[1];
  row.w = std::conj(kappa);
  row.rejection_before_db = signal::image_rejection_db(kappa);
  // Near kappa = 0, d kappa = -(d ln g - j d phi) / 2.
  const double left = 0.5 * std::hypot(row.u_gain_balance_db / kNeper_db,
                                       row.u_phase_error_deg * kDegree);
  row.rejection_after_db = signal::image_rejection_db(std::complex<double>(left));
  return row;
}

}  // namespace

std::vector<CorrectionRow> correction_table(const record::Run& run) {
  std::map<std::tuple<double, double, double>, Sums> places;
  for (const record::Point& point : run.points) {
    const auto at = [&point](const char* key) {
      const auto found = point.at.find(key);
      return found == point.at.end() ? 0.0 : found->second;
    };
    const double offset_hz = at("offset_hz");
    if (at("rf_hz") <= 0 || offset_hz == 0 || record::harmonic_of(point) != 1) continue;
    if (const auto seen = seen_at(point)) {
      // A difference of large numbers: a millihertz is the same place.
      const double offset_mhz = std::round(offset_hz * 1e3);
      places[{offset_mhz, at("level_dbm"), at("rf_hz")}].add(*seen, offset_hz, at("lo_hz"));
    }
  }
  std::vector<CorrectionRow> out;
  for (const auto& [place, sums] : places) {
    CorrectionRow row = row_of(sums);
    row.offset_hz = std::get<0>(place) * 1e-3;
    row.level_dbm = std::get<1>(place);
    row.rf_hz = std::get<2>(place);
    out.push_back(row);
  }
  return out;
}

}  // namespace nightbench::report
