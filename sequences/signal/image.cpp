#include "sequences/signal/image.hpp"

#include <fmt/core.h>

#include <cmath>
#include <limits>
#include <numbers>

namespace nightbench::signal {
namespace {

constexpr double pi = std::numbers::pi;
constexpr double nepers_per_db = std::numbers::ln10 / 20.0;

}  // namespace

// With eps = ln g both parts divide by 2 g: (cosh eps + cos phi) / (cosh eps - cos phi), and the
// difference is 2 (sinh^2(eps/2) + sin^2(phi/2)): no cancellation, exact at the smallest errors.
double image_rejection_db(double gain_ratio, double phi_rad) {
  const double eps = std::log(gain_ratio);
  const double sinh_half = std::sinh(0.5 * eps);
  const double sin_half = std::sin(0.5 * phi_rad);
  const double image = sinh_half * sinh_half + sin_half * sin_half;
  if (image == 0.0) return std::numeric_limits<double>::infinity();
  const double cos_half = std::cos(0.5 * phi_rad);
  return 10.0 * std::log10((sinh_half * sinh_half + cos_half * cos_half) / image);
}

double image_rejection_db(std::complex<double> kappa) {
  const double size = std::abs(kappa);
  if (size == 0.0) return std::numeric_limits<double>::infinity();
  return -20.0 * std::log10(size);
}

double phase_error_deg_for(double image_rejection_db) {
  return 2.0 * std::atan(std::pow(10.0, -image_rejection_db / 20.0)) * 180.0 / pi;
}

double gain_error_db_for(double image_rejection_db) {
  return 2.0 * std::atanh(std::pow(10.0, -image_rejection_db / 20.0)) / nepers_per_db;
}

Image image_of(std::complex<double> i_v, std::complex<double> q_v) {
  const std::complex<double> j(0.0, 1.0);
  const std::complex<double> plus = i_v + j * q_v;
  const std::complex<double> minus = i_v - j * q_v;
  Image image;
  image.turning = std::norm(plus) > std::norm(minus) ? 1 : -1;
  // The line at -f is the conjugate of I - jQ at +f, hence the conjugate of the quotient.
  image.kappa = image.turning > 0 ? minus / plus : std::conj(plus / minus);
  if (std::abs(plus) == 0.0 && std::abs(minus) == 0.0) image.kappa = 1.0;
  image.gain_ratio = std::abs(q_v) / std::abs(i_v);
  image.phi_rad = std::abs(std::remainder(std::arg(q_v) - std::arg(i_v), 2.0 * pi)) - 0.5 * pi;
  return image;
}

std::complex<double> kappa_of(double gain_ratio, double phi_rad) {
  const std::complex<double> q = std::polar(gain_ratio, -phi_rad);
  return (1.0 - q) / (1.0 + q);
}

std::array<double, 2> correction_row(double gain_ratio, double phi_rad, int sense) {
  return {sense * std::tan(phi_rad), sense / (gain_ratio * std::cos(phi_rad))};
}

Expected<BlindMoments> blind_moments(const Trace& i, const Trace& q, Window weights,
                                     bool remove_means) {
  if (i.size != q.size || i.size < 8) {
    return std::unexpected(
        Trouble{TroubleKind::too_few_points,
                fmt::format("{} and {} points, 8 or more of both needed", i.size, q.size)});
  }
  const auto kept = kept_window(weights, i.size);
  const std::vector<double>& w = *kept;
  std::vector<double> iv(i.size);
  std::vector<double> qv(q.size);
  read_volts(i, 0, iv);
  read_volts(q, 0, qv);
  double total = 0.0;
  double mean_i = 0.0;
  double mean_q = 0.0;
  for (std::size_t n = 0; n < iv.size(); ++n) {
    total += w[n];
    mean_i += w[n] * iv[n];
    mean_q += w[n] * qv[n];
  }
  mean_i = remove_means ? mean_i / total : 0.0;
  mean_q = remove_means ? mean_q / total : 0.0;
  double ii = 0.0;
  double qq = 0.0;
  double iq = 0.0;
  for (std::size_t n = 0; n < iv.size(); ++n) {
    const double a = iv[n] - mean_i;
    const double b = qv[n] - mean_q;
    ii += w[n] * a * a;
    qq += w[n] * b * b;
    iq += w[n] * a * b;
  }
  if (!(ii > 0.0) || !(qq > 0.0) || !std::isfinite(ii + qq)) {
    return std::unexpected(
        Trouble{TroubleKind::bad_samples, "a channel has no power or is not finite"});
  }
  BlindMoments found;
  found.gain_ratio = std::sqrt(qq / ii);
  found.phi_rad = std::asin(-iq / std::sqrt(ii * qq));
  found.rho = std::hypot(ii - qq, 2.0 * iq) / (ii + qq);
  const double root = std::sqrt(std::max(0.0, 1.0 - found.rho * found.rho));
  found.image_rejection_db = 20.0 * std::log10((1.0 + root) / found.rho);
  return found;
}

}  // namespace nightbench::signal
