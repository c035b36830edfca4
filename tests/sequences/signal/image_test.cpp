#include "sequences/signal/image.hpp"

#include <gmock/gmock.h>

#include <cmath>
#include <limits>

#include "sequences/signal/spectrum.hpp"
#include "tests/sequences/signal/data_sets.hpp"

namespace nightbench::signal {
namespace {

using test::pi;
using test::trace;

double ratio(double gain_db) {
  return std::pow(10.0, gain_db / 20.0);
}
double radians(double deg) {
  return deg * pi / 180.0;
}

// IRR-1..28: exact form, tolerance 1e-6 dB (IRR-18 at 1e-5). Published cross-checks in the last
// column with their tolerance.
TEST(ImageRejection, Irr1To28) {
  struct Row {
    const char* name;
    double gain_db, phase_deg, exact_db, tolerance_db, published_db, published_tolerance_db;
  };
  const double none = std::numeric_limits<double>::quiet_NaN();
  const Row rows[] = {
      {"IRR-1", 0.01, 0, 64.796887, 1e-6, none, 0},
      {"IRR-2", 0.05, 0, 50.817510, 1e-6, none, 0},
      // Richards, Fundamentals of Radar Signal Processing, eq. 3.39.
      {"IRR-3", 0.1, 0, 44.796982, 1e-6, 44.7, 0.1},
      {"IRR-4", 0.2, 0, 38.776670, 1e-6, none, 0},
      {"IRR-5", 0.25, 0, 36.838685, 1e-6, none, 0},
      {"IRR-6", 0.3, 0, 35.255324, 1e-6, none, 0},
      // rfessentials.com, amplitude imbalance table, whole dB.
      {"IRR-7", 0.5, 0, 30.819884, 1e-6, 31, 0.5},
      {"IRR-8", 0.25, 1, 35.478530, 1e-6, none, 0},
      {"IRR-9", 1, 0, 24.806473, 1e-6, 25, 0.5},
      {"IRR-10", 2, 0, 18.814544, 1e-6, 19, 0.5},
      {"IRR-11", 0, 0.1, 61.183050, 1e-6, none, 0},
      {"IRR-12", 0, 0.5, 47.203597, 1e-6, none, 0},
      {"IRR-13", 0, 1, 41.182832, 1e-6, none, 0},
      {"IRR-14", 0, 2, 35.161571, 1e-6, none, 0},
      {"IRR-15", 0, 3, 31.638643, 1e-6, none, 0},
      {"IRR-16", 0, 5, 27.198138, 1e-6, none, 0},
      {"IRR-17", 0, 10, 21.160964, 1e-6, none, 0},
      // Philips AN2003 (SA1630), 1999, eq. 93 and 94, small-angle form.
      {"IRR-18", 0, 2.037543, 35.000000, 1e-5, 35.0, 0.01},
      {"IRR-19", 0.07, 0.2, 47.148239, 1e-6, none, 0},
      // Phases published on a public receiver mailing list, 14 May 2006.
      {"IRR-20", 0, 0.89, 42.195078, 1e-6, none, 0},
      {"IRR-21", 0, 1.11, 40.276321, 1e-6, none, 0},
      {"IRR-22", 0, 2.08, 34.820832, 1e-6, none, 0},
      {"IRR-23", 0, 5.44, 26.464546, 1e-6, none, 0},
      {"IRR-24", 0.1, 1, 39.614023, 1e-6, none, 0},
      {"IRR-25", -0.5, 2, 29.459068, 1e-6, none, 0},
      {"IRR-26", 0.05, 0.5, 45.634716, 1e-6, none, 0},
      {"IRR-27", 0.5, 3, 28.199700, 1e-6, none, 0},
      {"IRR-28", 1, 5, 22.829435, 1e-6, none, 0},
  };
  for (const Row& row : rows) {
    const double g = ratio(row.gain_db);
    const double phi = radians(row.phase_deg);
    EXPECT_NEAR(image_rejection_db(g, phi), row.exact_db, row.tolerance_db) << row.name;
    EXPECT_NEAR(image_rejection_db(kappa_of(g, phi)), row.exact_db, row.tolerance_db) << row.name;
    if (!std::isnan(row.published_db)) {
      EXPECT_NEAR(image_rejection_db(g, phi), row.published_db, row.published_tolerance_db)
          << row.name;
    }
  }
}

// IRR-25: row 2 of the correction matrix, s = +1.
TEST(ImageRejection, Irr25Correction) {
  const auto row = correction_row(ratio(-0.5), radians(2.0), 1);
  EXPECT_NEAR(row[0], 0.0349207695, 1e-9);
  EXPECT_NEAR(row[1], 1.0598993872, 1e-9);
  // It does what it says: cos and sin from a distorted pair, both senses.
  for (int sense : {-1, 1}) {
    const double g = 0.93;
    const double phi = 0.05;
    const auto r = correction_row(g, phi, sense);
    for (double x = 0.0; x < 6.0; x += 0.7) {
      const double i = std::cos(x);
      const double q = sense * g * std::sin(x - sense * phi);
      EXPECT_NEAR(r[0] * i + r[1] * q, std::sin(x), 1e-12);
    }
  }
}

// IRR-29: kappa and slopes at g = 0.97, phi = 0.03.
TEST(ImageRejection, Irr29Kappa) {
  EXPECT_NEAR(image_rejection_db(0.97, 0.03), 33.401421, 1e-6);
  const std::complex<double> kappa = kappa_of(0.97, 0.03);
  EXPECT_NEAR(kappa.real(), 0.0152318525, 1e-10);
  // 0.01499764548; a table with ...6457 does not agree with its own modulus.
  EXPECT_NEAR(kappa.imag(), 0.0149976455, 1e-10);
  EXPECT_NEAR(std::abs(kappa), 0.0213761246, 1e-10);
  const double h = 1e-6;
  const double by_g =
      (image_rejection_db(0.97 + h, 0.03) - image_rejection_db(0.97 - h, 0.03)) / (2.0 * h);
  const double by_phi =
      (image_rejection_db(0.97, 0.03 + h) - image_rejection_db(0.97, 0.03 - h)) / (2.0 * h);
  EXPECT_NEAR(by_g, 149.1794, 1e-3);
  EXPECT_NEAR(by_phi, -142.6093, 1e-3);
  EXPECT_NEAR(0.003 * std::hypot(by_g, by_phi), 0.619134, 1e-5);
}

// IRR-30: a perfect pair is infinite, not a division by zero.
TEST(ImageRejection, Irr30Perfect) {
  EXPECT_EQ(image_rejection_db(1.0, 0.0), std::numeric_limits<double>::infinity());
  EXPECT_EQ(image_rejection_db(std::complex<double>(0.0)), std::numeric_limits<double>::infinity());
  const Image image = image_of({1.0, 0.0}, {0.0, 1.0});
  EXPECT_EQ(std::abs(image.kappa), 0.0);
}

// IRR-31..36: errors that alone give a rejection.
TEST(ImageRejection, Irr31To36Inverse) {
  const double rows[][3] = {{30, 3.622496, 0.549527}, {35, 2.037543, 0.308951},
                            {40, 1.145877, 0.173724}, {45, 0.644389, 0.097690},
                            {50, 0.362369, 0.054935}, {60, 0.114592, 0.017372}};
  for (const auto& row : rows) {
    EXPECT_NEAR(phase_error_deg_for(row[0]), row[1], 1e-6) << row[0];
    EXPECT_NEAR(gain_error_db_for(row[0]), row[2], 1e-6) << row[0];
  }
}

// SCO-1, SCO-2: what an uncorrected pair of scope channels makes of a perfect board.
TEST(ImageRejection, Sco1And2ScopeChannels) {
  const double gains[][2] = {{0.1, 66.024942}, {0.5, 52.062887}, {1.0, 46.063921},
                             {1.5, 42.563676}, {2.0, 40.086427}, {3.0, 36.607496}};
  for (const auto& row : gains) {
    EXPECT_NEAR(image_rejection_db(1.0 + row[0] / 100.0, 0.0), row[1], 1e-5) << row[0];
  }
  const double skews[][3] = {
      {10e3, 1e-9, 90.057003}, {48e3, 1e-9, 76.432178}, {96e3, 10e-9, 50.411552}};
  for (const auto& row : skews) {
    EXPECT_NEAR(image_rejection_db(1.0, 2.0 * pi * row[0] * row[1]), row[2], 1e-5) << row[0];
  }
}

// The exact Moebius pair and the sense, for both senses and both sides.
TEST(ImageOf, RecoversGainPhaseAndTurning) {
  const std::complex<double> j(0.0, 1.0);
  for (double g : {0.5, 0.97, 1.0, 1.3}) {
    for (double phi : {-0.3, -0.01, 0.0, 0.02, 0.5}) {
      for (int turning : {-1, 1}) {
        const std::complex<double> i = std::polar(0.8, 1.1);
        // Q lags by 90 deg + phi when I + jQ turns forwards, leads by as much when backwards.
        const std::complex<double> q = i * g * std::polar(1.0, -turning * (0.5 * pi + phi));
        const Image image = image_of(i, q);
        EXPECT_EQ(image.turning, turning);
        EXPECT_NEAR(image.gain_ratio, g, 1e-12);
        EXPECT_NEAR(image.phi_rad, phi, 1e-12);
        EXPECT_NEAR(std::abs(image.kappa - kappa_of(g, phi)), 0.0, 1e-12);
        const std::complex<double> back = (1.0 - image.kappa) / (1.0 + image.kappa);
        EXPECT_NEAR(std::abs(back), g, 1e-12);
        EXPECT_NEAR(-std::arg(back), phi, 1e-12);
      }
    }
  }
  EXPECT_NEAR(std::abs(image_of({1.0, 0.0}, {0.0, 0.0}).kappa), 1.0, 1e-12);
}

struct Pair {
  std::vector<double> i, q;
};
Pair perfect_pair(int points, double cycles, double g = 1.0, double phi = 0.0) {
  Pair pair;
  for (int n = 0; n < points; ++n) {
    const double x = 2.0 * pi * cycles * n + 0.7;
    pair.i.push_back(std::cos(x));
    pair.q.push_back(g * std::sin(x - phi));
  }
  return pair;
}

// BLD-1..3: second moments over whole periods, over a broken number, and with a window.
TEST(BlindMoments, Bld1To3) {
  const Pair whole = perfect_pair(200, 0.045, 0.97, 0.03);
  const auto one = blind_moments(trace(whole.i), trace(whole.q), Window::rectangular);
  ASSERT_TRUE(one.has_value());
  EXPECT_NEAR(one->gain_ratio, 0.97, 1e-9);
  EXPECT_NEAR(one->phi_rad, 0.03, 1e-9);
  EXPECT_NEAR(one->rho, 0.0427327229, 1e-9);
  EXPECT_NEAR(one->image_rejection_db, 33.401421, 1e-6);

  const Pair broken = perfect_pair(200, 0.0437, 0.97, 0.03);
  const auto two = blind_moments(trace(broken.i), trace(broken.q), Window::rectangular);
  ASSERT_TRUE(two.has_value());
  EXPECT_NEAR(two->gain_ratio, 0.986061026, 1e-6);
  EXPECT_NEAR(two->phi_rad, 0.020201015, 1e-6);
  EXPECT_NEAR(two->image_rejection_db, 38.202037, 1e-6);

  const auto three = blind_moments(trace(broken.i), trace(broken.q), Window::hann);
  ASSERT_TRUE(three.has_value());
  EXPECT_NEAR(three->gain_ratio, 0.969944280, 1e-6);
  EXPECT_NEAR(three->phi_rad, 0.030015505, 1e-6);
  EXPECT_NEAR(three->image_rejection_db, 33.390901, 1e-6);
}

// BLD-4: set S, 183 points.
TEST(BlindMoments, Bld4) {
  const std::vector<double> i = test::set_s_i();
  const std::vector<double> q = test::set_s_q();
  const auto found =
      blind_moments(part(trace(i), 0, 183), part(trace(q), 0, 183), Window::rectangular);
  ASSERT_TRUE(found.has_value());
  EXPECT_NEAR(found->image_rejection_db, 33.510318, 1e-6);
  EXPECT_NEAR(found->phi_rad * 180.0 / pi, 1.682797, 1e-6);
}

// BLD-5, BLD-6: what DC and a harmonic fake.
TEST(BlindMoments, Bld5And6) {
  Pair pair = perfect_pair(200, 0.045);
  for (double& v : pair.i) v += 0.1;
  const auto dc = blind_moments(trace(pair.i), trace(pair.q), Window::rectangular, false);
  ASSERT_TRUE(dc.has_value());
  EXPECT_NEAR(dc->image_rejection_db, 46.106815, 1e-6);
  pair = perfect_pair(200, 0.045);
  for (int n = 0; n < 200; ++n) {
    pair.i[static_cast<std::size_t>(n)] += 0.01 * std::cos(2.0 * (2.0 * pi * 0.045 * n + 0.7));
  }
  const auto harmonic = blind_moments(trace(pair.i), trace(pair.q), Window::rectangular);
  ASSERT_TRUE(harmonic.has_value());
  EXPECT_NEAR(harmonic->image_rejection_db, 92.041634, 1e-6);
}

TEST(BlindMoments, RefusesASilentChannel) {
  const Pair pair = perfect_pair(200, 0.045);
  const std::vector<double> zero(200, 0.0);
  EXPECT_FALSE(blind_moments(trace(pair.i), trace(zero), Window::hann).has_value());
  EXPECT_FALSE(blind_moments(trace({1.0}), trace({1.0}), Window::hann).has_value());
}

}  // namespace
}  // namespace nightbench::signal
