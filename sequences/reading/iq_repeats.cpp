#include <algorithm>
#include <cmath>

#include "sequences/reading/iq_parts.hpp"

namespace nightbench::reading {

Outcome image_rejection_of(const std::vector<const IqResult*>& repeats) {
  std::complex<double> mean;
  KappaCovariance known;       // type A of the captures, averaged
  KappaCovariance systematic;  // what repeats share
  double n = 0.0;
  for (const IqResult* one : repeats) {
    if (!one->kappa) continue;
    n += 1.0;
    mean += *one->kappa;
    known.uu_real += one->kappa_u_a.uu_real;
    known.uu_imag += one->kappa_u_a.uu_imag;
    known.cov += one->kappa_u_a.cov;
    systematic.uu_real += one->kappa_u.uu_real - one->kappa_u_a.uu_real;
    systematic.uu_imag += one->kappa_u.uu_imag - one->kappa_u_a.uu_imag;
    systematic.cov += one->kappa_u.cov - one->kappa_u_a.cov;
  }
  if (n == 0.0) return no_reading(Reason::not_measured, "no capture with an image rejection");
  mean /= n;
  KappaCovariance spread;
  for (const IqResult* one : repeats) {
    if (!one->kappa) continue;
    const std::complex<double> d = *one->kappa - mean;
    spread.uu_real += d.real() * d.real();
    spread.uu_imag += d.imag() * d.imag();
  }
  KappaCovariance total;
  const double freedom = std::max(1.0, n - 1.0);
  // t in place of 2 for few repeats.
  const double more = n > 1.0 ? std::pow(t_quantile(0.9544997361036416, freedom) / 2.0, 2) : 1.0;
  total.uu_real =
      std::max(known.uu_real / n, more * spread.uu_real / freedom) / n + systematic.uu_real / n;
  total.uu_imag =
      std::max(known.uu_imag / n, more * spread.uu_imag / freedom) / n + systematic.uu_imag / n;
  total.cov = known.cov / n / n + systematic.cov / n;
  Budget budget;
  budget.add_a("spread of repeats", std::sqrt(spread.uu_real + spread.uu_imag) / n, freedom);
  return rejection_reading("image_rejection_db", mean, total, std::move(budget));
}

}  // namespace nightbench::reading
