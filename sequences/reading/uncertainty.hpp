// Uncertainty budgets after the GUM (JCGM 100:2008, clauses 4 to 7 and annex G), and the interval
// of an image rejection near its floor, where linear propagation fails.
// Pure; units are those of the quantity.
#pragma once

#include <complex>
#include <cstdint>
#include <limits>
#include <span>
#include <string>
#include <vector>

namespace nightbench::reading {

enum class Evaluation : std::uint8_t { type_a, type_b };
enum class Distribution : std::uint8_t { normal, rectangular, triangular, u_shaped };

inline constexpr double infinite_dof = std::numeric_limits<double>::infinity();

// One line of a budget: contributes `sensitivity * u`.
struct BudgetRow {
  std::string name;  // "noise", "channel gain match"
  Evaluation type = Evaluation::type_b;
  Distribution distribution = Distribution::normal;
  double u = 0.0;  // standard uncertainty of the input
  double sensitivity = 1.0;
  double dof = infinite_dof;
};

// Standard uncertainty of a half width: a / sqrt 3, a / sqrt 6, a / sqrt 2; normal: a / 2 (k = 2).
double standard_u(double half_width, Distribution distribution);

struct Correlation {
  std::size_t first = 0;  // rows of the budget
  std::size_t second = 0;
  double r = 0.0;
};

struct Budget {
  std::vector<BudgetRow> rows;
  std::vector<Correlation> correlations;

  Budget& add(BudgetRow row);
  // Rows of u = 0 are left out.
  Budget& add_a(std::string name, double u, double dof = infinite_dof, double sensitivity = 1.0);
  Budget& add_b(std::string name, double u, Distribution distribution = Distribution::normal,
                double sensitivity = 1.0);
};

struct Combined {
  double u = 0.0;             // u_c^2 = sum c^2 u^2 + 2 sum c c' u u' r
  double dof = infinite_dof;  // Welch-Satterthwaite, not truncated; wrong for correlated rows
  double k = 2.0;             // 2, or t at 95.45 % for the truncated dof below 50
  double U = 0.0;             // k u
};
Combined combine(const Budget& budget);

// Mean of repeats and its standard uncertainty s / sqrt n, n - 1 degrees of freedom.
struct TypeA {
  double mean = 0.0;
  double s = 0.0;
  double u = 0.0;
  double dof = 0.0;
};
TypeA type_a(std::span<const double> repeats);

// Quantile of Student's t, two-sided: t_quantile(0.9545, 10) = 2.2837.
double t_quantile(double two_sided, double dof);
double normal_probability(double z);         // Phi(z)
double normal_quantile(double probability);  // inverse of Phi
// Distribution function of noncentral chi-square with 2 degrees of freedom.
double chi_square_2_probability(double x, double noncentrality);

// Quantile of the image rejection when the image vector (eps, phi) is drawn around the estimate
// with standard uncertainty u in each part (JCGM 101 propagation; small-error form
// 4 / (eps^2 + phi^2)). probability 0.025 gives the low end of 95 %. dB.
double image_rejection_quantile_db(double eps, double phi_rad, double u, double probability);

// Covariance of the two parts of kappa.
struct KappaCovariance {
  double uu_real = 0.0;  // variances
  double uu_imag = 0.0;
  double cov = 0.0;
};

// The image rejections that an estimate of kappa does not contradict, at 95.45 %: the likelihood
// ratio for |kappa|, its critical value taken from the distribution at the value on trial. Holds
// its level far from the floor (there it is value -+ 2 u in |kappa|) and at the floor, where it
// is open above: `high` infinite. dB.
struct RejectionInterval {
  double low_db = 0.0;
  double high_db = 0.0;
};
RejectionInterval image_rejection_interval(std::complex<double> kappa,
                                           const KappaCovariance& covariance);

}  // namespace nightbench::reading
