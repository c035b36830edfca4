#include "sequences/reading/uncertainty.hpp"

#include <gmock/gmock.h>

#include <array>
#include <cmath>
#include <random>
#include <vector>

#include "sequences/signal/image.hpp"

namespace nightbench::reading {
namespace {

// GUM H.2 input (JCGM 100:2008, Table H.2; two independent public transcriptions).
const std::array<std::array<double, 5>, 3> h2 = {{{5.007, 4.994, 5.005, 4.990, 4.999},
                                                  {19.663, 19.639, 19.640, 19.685, 19.678},
                                                  {1.0456, 1.0438, 1.0468, 1.0428, 1.0433}}};

double correlation(const std::array<double, 5>& a, const std::array<double, 5>& b) {
  const TypeA ma = type_a(a);
  const TypeA mb = type_a(b);
  double sum = 0.0;
  for (std::size_t n = 0; n < a.size(); ++n) sum += (a[n] - ma.mean) * (b[n] - mb.mean);
  return sum / (4.0 * ma.s * mb.s);
}

// UNC-1..3.
TEST(Gum, Unc1To3TypeA) {
  const TypeA v = type_a(h2[0]);
  const TypeA i = type_a(h2[1]);
  const TypeA p = type_a(h2[2]);
  EXPECT_NEAR(v.mean, 4.9990, 1e-12);
  EXPECT_NEAR(i.mean, 19.6610, 1e-12);
  EXPECT_NEAR(p.mean, 1.04446, 1e-12);
  EXPECT_NEAR(v.u, 0.00320936, 1e-8);
  EXPECT_NEAR(i.u, 0.00947101, 1e-8);
  EXPECT_NEAR(p.u, 0.000752064, 1e-8);
  EXPECT_EQ(v.dof, 4.0);
  EXPECT_NEAR(correlation(h2[0], h2[1]), -0.355311, 1e-6);
  EXPECT_NEAR(correlation(h2[0], h2[2]), 0.857624, 1e-6);
  EXPECT_NEAR(correlation(h2[1], h2[2]), -0.645111, 1e-6);
}

// R = V cos p / I, X = V sin p / I, Z = V / I with I in ampere.
struct Impedance {
  std::array<double, 3> value;
  std::array<std::array<double, 3>, 3> slope;  // [quantity][V, I, p]
};
Impedance impedance(double v, double i_ma, double p) {
  const double i = i_ma * 1e-3;
  const double z = v / i;
  const double r = z * std::cos(p);
  const double x = z * std::sin(p);
  return {{r, x, z},
          {{{r / v, -r / i * 1e-3, -x}, {x / v, -x / i * 1e-3, r}, {z / v, -z / i * 1e-3, 0.0}}}};
}
Budget h2_budget(std::size_t quantity, bool correlated) {
  const TypeA v = type_a(h2[0]);
  const TypeA i = type_a(h2[1]);
  const TypeA p = type_a(h2[2]);
  const auto slope = impedance(v.mean, i.mean, p.mean).slope[quantity];
  Budget budget;
  budget.add_a("V", v.u, 4, slope[0]).add_a("I", i.u, 4, slope[1]).add_a("phase", p.u, 4, slope[2]);
  if (correlated) {
    budget.correlations = {{0, 1, correlation(h2[0], h2[1])},
                           {0, 2, correlation(h2[0], h2[2])},
                           {1, 2, correlation(h2[1], h2[2])}};
  }
  return budget;
}

// UNC-4..6: values, correlated and (wrongly) uncorrelated uncertainties.
TEST(Gum, Unc4To6Propagation) {
  const Impedance z = impedance(4.9990, 19.6610, 1.04446);
  EXPECT_NEAR(z.value[0], 127.732170, 1e-6);
  EXPECT_NEAR(z.value[1], 219.846512, 1e-6);
  EXPECT_NEAR(z.value[2], 254.259702, 1e-6);
  const double with[] = {0.0710714, 0.2955817, 0.2363361};
  const double printed[] = {0.071, 0.295, 0.236};  // GUM Table H.3, from memory
  const double without[] = {0.1945445, 0.2009093, 0.2040764};
  for (std::size_t n = 0; n < 3; ++n) {
    EXPECT_NEAR(combine(h2_budget(n, true)).u, with[n], 1e-6);
    EXPECT_NEAR(combine(h2_budget(n, true)).u, printed[n], 1e-3);
    EXPECT_NEAR(combine(h2_budget(n, false)).u, without[n], 1e-6);
  }
}

// UNC-7: correlations of the results, from variances of sums: u^2(R + X) = u^2(R) + u^2(X) + 2 cov.
TEST(Gum, Unc7CorrelationsOfResults) {
  const auto correlation_of = [](std::size_t a, std::size_t b) {
    const Budget first = h2_budget(a, true);
    const Budget second = h2_budget(b, true);
    Budget sum = first;
    for (std::size_t n = 0; n < 3; ++n) sum.rows[n].sensitivity += second.rows[n].sensitivity;
    const double ua = combine(first).u;
    const double ub = combine(second).u;
    const double us = combine(sum).u;
    return (us * us - ua * ua - ub * ub) / (2.0 * ua * ub);
  };
  EXPECT_NEAR(correlation_of(0, 1), -0.588430, 1e-6);
  EXPECT_NEAR(correlation_of(0, 2), -0.485259, 1e-6);
  EXPECT_NEAR(correlation_of(1, 2), 0.992512, 1e-6);
}

// UNC-8: the second approach, results row by row.
TEST(Gum, Unc8SecondApproach) {
  std::array<std::vector<double>, 3> rows;
  for (std::size_t n = 0; n < 5; ++n) {
    const Impedance z = impedance(h2[0][n], h2[1][n], h2[2][n]);
    for (std::size_t k = 0; k < 3; ++k) rows[k].push_back(z.value[k]);
  }
  const double means[] = {127.731630, 219.846895, 254.260050};
  const double us[] = {0.0712735, 0.2954891, 0.2362475};
  for (std::size_t k = 0; k < 3; ++k) {
    EXPECT_NEAR(type_a(rows[k]).mean, means[k], 1e-6);
    EXPECT_NEAR(type_a(rows[k]).u, us[k], 1e-6);
  }
}

// UNC-9, UNC-10: GUM H.1, end gauge (JCGM 100:2008; reproduced in MSL GTC's documentation).
TEST(Gum, Unc9And10EndGauge) {
  Budget d;
  d.add_a("repeats", 5.8, 24).add_a("random", 3.9, 5).add_a("systematic", 6.7, 8);
  const Combined difference = combine(d);
  EXPECT_NEAR(difference.u, 9.681942, 1e-5);
  EXPECT_NEAR(difference.dof, 25.4473, 1e-4);
  EXPECT_NEAR(50000623.0 + 215.0, 50000838.0, 0.0);

  const double length = 50000623.0;
  const double u_alpha = standard_u(1e-6, Distribution::rectangular);
  const double u_theta = standard_u(0.05, Distribution::rectangular);
  Budget budget;
  budget.add_a("standard", 25.0, 18);
  budget.add_a("difference", difference.u, difference.dof);
  budget.add({"expansion difference", Evaluation::type_b, Distribution::rectangular, u_alpha,
              length * 0.1, 50});
  budget.add({"temperature difference", Evaluation::type_b, Distribution::rectangular, u_theta,
              length * 11.5e-6, 2});
  EXPECT_NEAR(budget.rows[2].u * budget.rows[2].sensitivity, 2.886787, 1e-5);
  EXPECT_NEAR(budget.rows[3].u * budget.rows[3].sensitivity, 16.599027, 1e-5);
  const Combined length_u = combine(budget);
  EXPECT_NEAR(length_u.u, 31.663879, 1e-5);
  EXPECT_NEAR(length_u.u, 32.0, 0.5);  // as printed
  EXPECT_NEAR(length_u.dof, 16.7519, 1e-4);
  EXPECT_NEAR(t_quantile(0.99, 16), 2.920782, 1e-5);
  EXPECT_NEAR(t_quantile(0.99, 16) * length_u.u, 92.4833, 1e-3);
  // Second-order terms: alpha and theta about zero difference, both uncertain.
  const double u_theta_bar = std::hypot(0.2, standard_u(0.5, Distribution::u_shaped));
  const double u_standard_alpha = standard_u(2e-6, Distribution::rectangular);
  const double second =
      std::hypot(length * u_alpha * u_theta_bar, length * u_standard_alpha * u_theta);
  EXPECT_NEAR(std::hypot(length_u.u, second), 33.806545, 1e-5);
}

// UNC-11..13: JCGM 101, 9.4: Y = X1^2 + X2^2, u = 0.005 each. Y / u^2 is noncentral chi-square with
// 2 degrees of freedom.
double mean_of(double x) {
  return x * x + 2.0 * 0.005 * 0.005;
}
double sd_of(double x) {
  const double u2 = 0.005 * 0.005;
  return std::sqrt(4.0 * u2 * u2 + 4.0 * u2 * x * x);
}
double quantile_y(double x, double probability) {
  const double u = 0.005;
  const double lambda = x * x / (u * u);
  double low = 0.0;
  double high = 400.0;
  for (int n = 0; n < 50; ++n) {
    const double middle = 0.5 * (low + high);
    (chi_square_2_probability(middle, lambda) < probability ? low : high) = middle;
  }
  return 0.5 * (low + high) * u * u;
}
// Shortest interval of 95 %: golden section over the lower tail, and the one from 0.
std::pair<double, double> shortest(double x) {
  const auto ends = [&](double p) {
    return std::pair(p > 0.0 ? quantile_y(x, p) : 0.0, quantile_y(x, p + 0.95));
  };
  const auto width = [&](double p) { return ends(p).second - ends(p).first; };
  const double golden = 0.6180339887498949;
  double a = 0.0;
  double b = 0.0499;
  for (int n = 0; n < 24; ++n) {
    const double left = b - golden * (b - a);
    const double right = a + golden * (b - a);
    (width(left) < width(right) ? b : a) = width(left) < width(right) ? right : left;
  }
  const double best = 0.5 * (a + b);
  return width(0.0) <= width(best) ? ends(0.0) : ends(best);
}
TEST(NearTheFloor, Unc11To13) {
  EXPECT_NEAR(mean_of(0.0), 5e-5, 1e-9);
  EXPECT_NEAR(sd_of(0.0), 5e-5, 1e-9);
  EXPECT_NEAR(quantile_y(0.0, 0.95), 1.49787e-4, 1e-9);
  EXPECT_NEAR(mean_of(0.010), 1.5e-4, 1e-9);
  EXPECT_NEAR(sd_of(0.010), 1.11803399e-4, 1e-9);
  EXPECT_NEAR(shortest(0.010).first, 0.0, 1e-9);
  EXPECT_NEAR(shortest(0.010).second, 3.660e-4, 5e-8);
  EXPECT_NEAR(mean_of(0.050), 2.55e-3, 1e-9);
  EXPECT_NEAR(sd_of(0.050), 5.02493781e-4, 1e-9);
  EXPECT_NEAR(shortest(0.050).first, 1.5936e-3, 2e-7);
  EXPECT_NEAR(shortest(0.050).second, 3.5486e-3, 2e-7);
}

// UNC-14..16: quantiles of image rejection in dB.
TEST(NearTheFloor, Unc14To16) {
  const auto check = [](double eps, double phi, double u, std::array<double, 3> expected) {
    EXPECT_NEAR(image_rejection_quantile_db(eps, phi, u, 0.025), expected[0], 1e-3);
    EXPECT_NEAR(image_rejection_quantile_db(eps, phi, u, 0.5), expected[1], 1e-3);
    EXPECT_NEAR(image_rejection_quantile_db(eps, phi, u, 0.975), expected[2], 1e-3);
  };
  check(0.02, 0.0, 0.002, {38.4123, 39.9567, 41.8350});
  check(0.01, 0.01, 0.005, {38.1980, 42.4886, 50.7913});
  check(0.0, 0.0, 0.005, {43.3620, 50.6226, 64.9966});
  EXPECT_NEAR(image_rejection_quantile_db(0.0, 0.0, 0.005, 0.05), 44.2659, 1e-3);
}

// Noncentral chi-square with 2 degrees against simulation and the central closed form.
TEST(NearTheFloor, ChiSquareAgainstClosedFormAndSimulation) {
  for (double x : {0.01, 0.5, 2.0, 7.0, 30.0}) {
    EXPECT_NEAR(chi_square_2_probability(x, 0.0), -std::expm1(-0.5 * x), 1e-10) << x;
  }
  const unsigned seed = 99;
  std::mt19937_64 random(seed);
  std::normal_distribution<double> normal;
  for (double lambda : {1.0, 9.0, 100.0}) {
    int below = 0;
    const double x = lambda + 3.0;
    for (int n = 0; n < 40000; ++n) {
      const double a = std::sqrt(lambda) + normal(random);
      const double b = normal(random);
      if (a * a + b * b <= x) ++below;
    }
    EXPECT_NEAR(chi_square_2_probability(x, lambda), below / 40000.0, 0.01)
        << lambda << ", seed " << seed;
  }
  EXPECT_EQ(chi_square_2_probability(0.0, 4.0), 0.0);
  EXPECT_NEAR(chi_square_2_probability(1e6, 4.0), 1.0, 1e-9);
}

// UNC-20, UNC-21: Student's t; GUM Table G.2.
TEST(Gum, Unc20And21StudentsT) {
  const double dof[] = {1, 2, 5, 10, 16, 20, 50};
  const double at_95[] = {12.706205, 4.302653, 2.570582, 2.228139, 2.119905, 2.085963, 2.008559};
  const double at_9545[] = {13.967730, 4.526537, 2.648649, 2.283678, 2.168940, 2.133025, 2.051248};
  for (std::size_t n = 0; n < 7; ++n) {
    EXPECT_NEAR(t_quantile(0.95, dof[n]), at_95[n], 1e-5);
    EXPECT_NEAR(t_quantile(std::erf(std::sqrt(2.0)), dof[n]), at_9545[n], 1e-5);
  }
  EXPECT_NEAR(t_quantile(0.95, infinite_dof), 1.959964, 1e-6);
}

// UNC-22: four rectangular inputs of u = 1: u = 2, the normal interval is what the GUM gives; the
// exact 3.879 is narrower, so k = 2 is on the safe side.
TEST(Gum, Unc22SumOfRectangular) {
  Budget budget;
  for (const char* name : {"a", "b", "c", "d"}) {
    budget.add_b(name, standard_u(std::sqrt(3.0), Distribution::rectangular),
                 Distribution::rectangular);
  }
  EXPECT_NEAR(combine(budget).u, 2.0, 1e-12);
  EXPECT_NEAR(t_quantile(0.95, infinite_dof) * combine(budget).u, 3.919928, 1e-6);
  EXPECT_EQ(combine(budget).k, 2.0);
}

// UNC-23: type A of six readings with a rectangular and a normal term.
TEST(Gum, Unc23Mixed) {
  const std::vector<double> readings = {33.41, 33.38, 33.44, 33.40, 33.37, 33.42};
  const TypeA a = type_a(readings);
  EXPECT_NEAR(a.mean, 33.403333, 1e-6);
  EXPECT_NEAR(a.s, 0.02581989, 1e-6);
  EXPECT_NEAR(a.u, 0.01054093, 1e-6);
  EXPECT_EQ(a.dof, 5.0);
  Budget budget;
  budget.add_a("repeats", a.u, a.dof);
  budget.add_b("rectangular", standard_u(0.1, Distribution::rectangular));
  budget.add_b("normal", 0.03);
  EXPECT_NEAR(combine(budget).u, 0.06591240, 1e-6);
  EXPECT_NEAR(combine(budget).dof, 7644.05, 0.01);
  EXPECT_EQ(combine(budget).k, 2.0);
}

TEST(Gum, FewDegreesOfFreedomWidenK) {
  Budget budget;
  budget.add_a("repeats", 1.0, 5.0);
  EXPECT_NEAR(combine(budget).k, 2.648649, 1e-5);
  EXPECT_NEAR(combine(budget).U, 2.648649, 1e-5);
  EXPECT_EQ(combine(Budget{}).u, 0.0);
  EXPECT_EQ(combine(Budget{}).k, 2.0);
  EXPECT_EQ(type_a({}).u, 0.0);
}

// The interval of an image rejection holds the truth with 95.45 % wherever the truth lies: far
// from the floor, near it, at it; for round and for flat errors. Binomial scatter of 2000 trials
// is 0.47 %.
double coverage(std::complex<double> truth, double ux, double uy, unsigned seed) {
  std::mt19937_64 random(seed);
  std::normal_distribution<double> normal;
  constexpr int trials = 2000;
  int held = 0;
  for (int n = 0; n < trials; ++n) {
    const std::complex<double> seen =
        truth + std::complex(ux * normal(random), uy * normal(random));
    const RejectionInterval interval = image_rejection_interval(seen, {ux * ux, uy * uy, 0.0});
    const double db = signal::image_rejection_db(truth);
    if (db >= interval.low_db && db <= interval.high_db) ++held;
  }
  return 100.0 * held / trials;
}
TEST(NearTheFloor, IntervalHoldsItsLevelForRoundErrors) {
  const unsigned seed = 4711;
  for (double away : {0.0, 0.3, 1.0, 2.0, 3.0, 6.0, 30.0}) {
    const double held = coverage(std::polar(away * 0.001, 0.6), 0.001, 0.001, seed);
    EXPECT_GT(held, 94.0) << away << " u from the floor, seed " << seed;
    EXPECT_LT(held, 97.0) << away << " u from the floor, seed " << seed;
  }
}
TEST(NearTheFloor, IntervalIsOpenAboveExactlyAtTheFloor) {
  const RejectionInterval open = image_rejection_interval({0.001, 0.0}, {1e-6, 1e-6, 0.0});
  EXPECT_EQ(open.high_db, std::numeric_limits<double>::infinity());
  EXPECT_GT(open.low_db, 40.0);
  EXPECT_LT(open.low_db, 60.0);
  const RejectionInterval closed = image_rejection_interval({0.003, 0.0}, {1e-6, 1e-6, 0.0});
  EXPECT_LT(closed.high_db, 70.0);
  const RejectionInterval perfect = image_rejection_interval(0.0, {1e-6, 1e-6, 0.0});
  EXPECT_EQ(perfect.high_db, std::numeric_limits<double>::infinity());
  EXPECT_NEAR(perfect.low_db, -20.0 * std::log10(0.00188), 0.2);  // 1.88 u
  const RejectionInterval none = image_rejection_interval({0.01, 0.0}, {});
  EXPECT_DOUBLE_EQ(none.low_db, none.high_db);
}
// Far from the floor the interval is that of linear propagation.
TEST(NearTheFloor, IntervalIsLinearFarAway) {
  const RejectionInterval far = image_rejection_interval({0.03, 0.0}, {1e-6, 1e-6, 0.0});
  EXPECT_NEAR(far.low_db, -20.0 * std::log10(0.032), 1e-9);
  EXPECT_NEAR(far.high_db, -20.0 * std::log10(0.028), 1e-9);
}

}  // namespace
}  // namespace nightbench::reading
