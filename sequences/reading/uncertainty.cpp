#include "sequences/reading/uncertainty.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace nightbench::reading {
namespace {

constexpr double two_sigma = 0.9544997361036416;  // 95.45 %: a normal within +-2

// Regularised incomplete beta function by its continued fraction (Lentz), for Student's t.
double incomplete_beta(double a, double b, double x) {
  if (x <= 0.0) return 0.0;
  if (x >= 1.0) return 1.0;
  if (x > (a + 1.0) / (a + b + 2.0)) return 1.0 - incomplete_beta(b, a, 1.0 - x);
  const double front = std::exp(std::lgamma(a + b) - std::lgamma(a) - std::lgamma(b) +
                                a * std::log(x) + b * std::log1p(-x)) /
                       a;
  constexpr double tiny = 1e-300;
  double c = 1.0;
  double d = 1.0 - (a + b) * x / (a + 1.0);
  d = 1.0 / (std::abs(d) < tiny ? tiny : d);
  double fraction = d;
  for (int m = 1; m < 500; ++m) {
    const double two_m = 2.0 * m;
    const double even = m * (b - m) * x / ((a + two_m - 1.0) * (a + two_m));
    d = 1.0 + even * d;
    c = 1.0 + even / c;
    d = 1.0 / (std::abs(d) < tiny ? tiny : d);
    c = std::abs(c) < tiny ? tiny : c;
    fraction *= d * c;
    const double odd = -(a + m) * (a + b + m) * x / ((a + two_m) * (a + two_m + 1.0));
    d = 1.0 + odd * d;
    c = 1.0 + odd / c;
    d = 1.0 / (std::abs(d) < tiny ? tiny : d);
    c = std::abs(c) < tiny ? tiny : c;
    const double change = d * c;
    fraction *= change;
    if (std::abs(change - 1.0) < 1e-15) break;
  }
  return front * fraction;
}

// Probability that |t| stays below `t`.
double t_two_sided(double t, double dof) {
  return 1.0 - incomplete_beta(0.5 * dof, 0.5, dof / (dof + t * t));
}

// Root of a rising function in [low, high].
template <typename F>
double bisect(double low, double high, F rising) {
  for (int step = 0; step < 200 && high - low > 1e-15 * std::abs(high); ++step) {
    const double middle = 0.5 * (low + high);
    (rising(middle) < 0.0 ? low : high) = middle;
  }
  return 0.5 * (low + high);
}

}  // namespace

double standard_u(double half_width, Distribution distribution) {
  switch (distribution) {
    case Distribution::normal:
      return half_width / 2.0;
    case Distribution::rectangular:
      return half_width / std::numbers::sqrt3;
    case Distribution::triangular:
      return half_width / std::sqrt(6.0);
    case Distribution::u_shaped:
      return half_width / std::numbers::sqrt2;
  }
  return half_width;
}

Budget& Budget::add(BudgetRow row) {
  rows.push_back(std::move(row));
  return *this;
}

Budget& Budget::add_a(std::string name, double u, double dof, double sensitivity) {
  if (u == 0.0) return *this;
  return add({std::move(name), Evaluation::type_a, Distribution::normal, u, sensitivity, dof});
}

Budget& Budget::add_b(std::string name, double u, Distribution distribution, double sensitivity) {
  if (u == 0.0) return *this;
  return add({std::move(name), Evaluation::type_b, distribution, u, sensitivity, infinite_dof});
}

Combined combine(const Budget& budget) {
  double variance = 0.0;
  double over_dof = 0.0;
  for (const BudgetRow& row : budget.rows) {
    const double part = row.sensitivity * row.u;
    variance += part * part;
    if (std::isfinite(row.dof) && row.dof > 0.0) over_dof += std::pow(part, 4) / row.dof;
  }
  for (const Correlation& pair : budget.correlations) {
    const BudgetRow& a = budget.rows[pair.first];
    const BudgetRow& b = budget.rows[pair.second];
    variance += 2.0 * a.sensitivity * a.u * b.sensitivity * b.u * pair.r;
  }
  Combined combined;
  combined.u = std::sqrt(std::max(0.0, variance));
  if (over_dof > 0.0) combined.dof = variance * variance / over_dof;
  if (combined.dof < 50.0) {
    combined.k = t_quantile(two_sigma, std::max(1.0, std::floor(combined.dof)));
  }
  combined.U = combined.k * combined.u;
  return combined;
}

TypeA type_a(std::span<const double> repeats) {
  TypeA found;
  const auto n = static_cast<double>(repeats.size());
  if (repeats.empty()) return found;
  for (double value : repeats) found.mean += value / n;
  if (repeats.size() < 2) return found;
  double squares = 0.0;
  for (double value : repeats) squares += (value - found.mean) * (value - found.mean);
  found.dof = n - 1.0;
  found.s = std::sqrt(squares / found.dof);
  found.u = found.s / std::sqrt(n);
  return found;
}

double t_quantile(double two_sided, double dof) {
  if (!std::isfinite(dof)) return normal_quantile(0.5 + 0.5 * two_sided);
  double high = 2.0;
  while (t_two_sided(high, dof) < two_sided && high < 1e12) high *= 2.0;
  return bisect(0.0, high, [&](double t) { return t_two_sided(t, dof) - two_sided; });
}

double normal_probability(double z) {
  return 0.5 * std::erfc(-z / std::numbers::sqrt2);
}

double normal_quantile(double probability) {
  if (probability <= 0.0) return -std::numeric_limits<double>::infinity();
  if (probability >= 1.0) return std::numeric_limits<double>::infinity();
  return bisect(-40.0, 40.0, [&](double z) { return normal_probability(z) - probability; });
}

// A circle of radius r = sqrt x, a unit normal centred rho = sqrt lambda from its middle: strips
// across the circle, with u = r sin a to take the root out of the ends.
double chi_square_2_probability(double x, double noncentrality) {
  if (!(x > 0.0)) return 0.0;
  const double r = std::sqrt(x);
  const double rho = std::sqrt(std::max(0.0, noncentrality));
  constexpr double reach = 9.0;  // standard deviations that matter
  if (rho - r > reach) return 0.0;
  const double low = std::asin(std::clamp((rho - reach) / r, -1.0, 1.0));
  const double high = std::asin(std::clamp((rho + reach) / r, -1.0, 1.0));
  constexpr int intervals = 256;  // Simpson
  const double step = (high - low) / intervals;
  double sum = 0.0;
  for (int n = 0; n <= intervals; ++n) {
    const double a = low + step * n;
    const double u = r * std::sin(a) - rho;
    const double half = r * std::cos(a);
    const double value = std::exp(-0.5 * u * u) * std::erf(half / std::numbers::sqrt2) * half;
    const double weight = n == 0 || n == intervals ? 1.0 : (n % 2 == 1 ? 4.0 : 2.0);
    sum += weight * value;
  }
  return std::min(1.0, sum * step / 3.0 / std::sqrt(2.0 * std::numbers::pi));
}

double image_rejection_quantile_db(double eps, double phi_rad, double u, double probability) {
  const double lambda = (eps * eps + phi_rad * phi_rad) / (u * u);
  const double rho = std::sqrt(lambda);
  const double root = bisect(std::max(0.0, rho - 9.0), rho + 9.0, [&](double r) {
    return chi_square_2_probability(r * r, lambda) - (1.0 - probability);
  });
  return 10.0 * std::log10(4.0 / (u * u * root * root));
}

}  // namespace nightbench::reading
