#include "sequences/report/correction.hpp"

#include <gmock/gmock.h>

#include <cmath>
#include <nlohmann/json.hpp>
#include <numbers>
#include <random>

#include "sample_runs.hpp"
#include "sequences/reading/iq.hpp"
#include "sequences/signal/image.hpp"

namespace nightbench::report {
namespace {

using std::numbers::pi;

record::Reading plain(const std::string& quantity, double value, double u) {
  return sample::reading(quantity, quantity, "", value, u, {}, {});
}

// A point as the engine writes it.
record::Point point_at(double rf_hz, double offset_hz, double balance_db, double phase_deg,
                       int sense = -1) {
  record::Point out;
  out.at = {{"rf_hz", rf_hz},
            {"lo_hz", rf_hz - offset_hz},
            {"offset_hz", offset_hz},
            {"level_dbm", -40}};
  const double lead = -sense * std::copysign(1.0, offset_hz);
  out.readings = {plain("gain_balance", balance_db, 0.02), plain("phase_error", phase_deg, 0.1),
                  plain("q_minus_i", lead * (90 + phase_deg), 0.1),
                  plain("i_offset", 2.5, 0.001), plain("q_offset", 2.49, 0.001)};
  return out;
}

struct Wave {
  std::vector<double> i, q;
};

// The model of sequences/signal/image.hpp with offsets and noise.
Wave wave(double gain_ratio, double phi_rad, int sense, double side, double noise_v,
          std::uint64_t seed) {
  std::mt19937_64 random(seed);
  std::normal_distribution<double> noise(0.0, noise_v);
  Wave out;
  for (int n = 0; n < 8000; ++n) {
    const double x = side * 2 * pi * 0.01234 * n + 0.4;
    out.i.push_back(2.5 + 0.3 * std::cos(x) + noise(random));
    out.q.push_back(2.49 + 0.3 * sense * gain_ratio * std::sin(x - sense * phi_rad) +
                    noise(random));
  }
  return out;
}

reading::IqResult measured(const Wave& wave) {
  const auto trace = [](const std::vector<double>& volts) {
    signal::Trace out;
    out.codes = volts.data();
    out.size = volts.size();
    out.dt_s = 1e-6;
    return out;
  };
  reading::IqContext context;
  context.rf_hz = 10.0e6 + 12.34e3;
  context.lo_hz = 10.0e6;
  return reading::measure_iq(trace(wave.i), trace(wave.q), context);
}

// By algebra: I = cos x, Q = s g sin(x - s phi) come out as cos x and sin x.
TEST(Correction, TheMatrixGivesCosineAndSineWhicheverWayTheBoardIsWired) {
  for (const int sense : {-1, 1}) {
    for (const double side : {-1.0, 1.0}) {
      record::Run run;
      run.points.push_back(point_at(10e6, side * 5e3, 0.7, 3.0, sense));
      const auto rows = correction_table(run);
      ASSERT_EQ(rows.size(), 1U);
      const double g = std::pow(10, 0.7 / 20), phi = 3 * pi / 180;
      for (double x = -3; x < 3; x += 0.37) {
        const double i = std::cos(x), q = sense * g * std::sin(x - sense * phi);
        EXPECT_NEAR(rows[0].q_from_i * i + rows[0].q_from_q * q, std::sin(x), 1e-12);
      }
    }
  }
}

// The complex form leaves nothing of the image in z = I + jQ and keeps the sense.
TEST(Correction, TheComplexCoefficientTakesTheImageAwayAndKeepsTheSense) {
  for (const int sense : {-1, 1}) {
    record::Run run;
    run.points.push_back(point_at(10e6, 5e3, -1.1, -4.0, sense));
    const auto rows = correction_table(run);
    ASSERT_EQ(rows.size(), 1U);
    const double g = std::pow(10, -1.1 / 20), phi = -4 * pi / 180;
    std::complex<double> wanted, image;
    constexpr int kSteps = 64;
    for (int n = 0; n < kSteps; ++n) {
      const double x = 2 * pi * n / kSteps;
      const std::complex<double> z(std::cos(x), sense * g * std::sin(x - sense * phi));
      const std::complex<double> mended = z - rows[0].w * std::conj(z);
      wanted += mended * std::polar(1.0, -sense * x) / static_cast<double>(kSteps);
      image += mended * std::polar(1.0, sense * x) / static_cast<double>(kSteps);
    }
    EXPECT_GT(std::abs(wanted), 0.9);
    EXPECT_LT(std::abs(image), 1e-14);
  }
}

// Applied to captures of the same place, the image sinks to what noise allows there: |kappa| of N
// points at an amplitude A and noise sigma has u = sigma sqrt(2 / N) / A in each part.
TEST(Correction, AppliedToACaptureTheImageSinksToTheNoise) {
  constexpr std::uint64_t kSeed = 20261126;
  RecordProperty("seed", static_cast<int>(kSeed));
  const double g = std::pow(10, 0.42 / 20), phi = 2.3 * pi / 180;
  for (const int sense : {-1, 1}) {
    for (const double side : {-1.0, 1.0}) {
      const Wave first = wave(g, phi, sense, side, 0.003, kSeed);
      const reading::IqResult seen = measured(first);
      ASSERT_TRUE(seen.gain_balance_db && seen.phase_error_deg);
      record::Run run;
      record::Point point =
          point_at(10e6, side * 5e3, seen.gain_balance_db->value, seen.phase_error_deg->value, sense);
      point.readings[3].value = seen.i_offset_v->value;
      point.readings[4].value = seen.q_offset_v->value;
      run.points.push_back(point);
      const CorrectionRow row = correction_table(run).at(0);
      // Another capture of the same place, with noise of its own.
      Wave again = wave(g, phi, sense, side, 0.003, kSeed + 1);
      Wave turned = again;
      for (std::size_t n = 0; n < again.i.size(); ++n) {
        const double i = again.i[n] - row.i_offset_v, q = again.q[n] - row.q_offset_v;
        again.i[n] = i;
        again.q[n] = row.q_from_i * i + row.q_from_q * q;
        const std::complex<double> z(i, q);
        const std::complex<double> mended = z - row.w * std::conj(z);
        turned.i[n] = mended.real();
        turned.q[n] = mended.imag();
      }
      const double before = std::abs(*seen.kappa);
      const double u = 0.003 * std::sqrt(2.0 / 8000) / 0.3 * std::numbers::sqrt2;
      for (const Wave* mended : {&again, &turned}) {
        const reading::IqResult after = measured(*mended);
        ASSERT_TRUE(after.kappa);
        EXPECT_LT(std::abs(*after.kappa), 4 * u);
        EXPECT_GT(before / std::abs(*after.kappa), 20);
        EXPECT_NEAR(after.i_offset_v->value, 0, 5 * 0.003 / std::sqrt(8000.0));
      }
    }
  }
}

// Repeats: mean of kappa, so opposite errors cancel exactly, and U is not divided by their number.
TEST(Correction, RepeatsOfAPlaceAreAveragedAsKappa) {
  record::Run run;
  for (const double sign : {-1.0, 1.0}) {
    record::Point point = point_at(10e6, 5e3, 0.0, 0.0);
    const std::complex<double> kappa(0.01 * sign, 0.02 * sign);
    const std::complex<double> q = (1.0 - kappa) / (1.0 + kappa);
    point.readings[0].value = 20 * std::log10(std::abs(q));
    point.readings[1].value = -std::arg(q) * 180 / pi;
    run.points.push_back(point);
  }
  const auto rows = correction_table(run);
  ASSERT_EQ(rows.size(), 1U);
  EXPECT_EQ(rows[0].captures, 2);
  EXPECT_NEAR(rows[0].gain_balance_db, 0, 1e-12);
  EXPECT_NEAR(rows[0].phase_error_deg, 0, 1e-12);
  EXPECT_DOUBLE_EQ(rows[0].u_phase_error_deg, 0.1);
  // 0.02 dB and 0.1 deg: half of hypot(0.0023026, 0.0017453).
  EXPECT_NEAR(rows[0].rejection_after_db, -20 * std::log10(0.5 * std::hypot(0.0023026, 0.0017453)),
              1e-3);
}

TEST(Correction, PlacesWithoutAReadingAreLeftOut) {
  record::Run run = sample::faulty();  // has neither offsets nor q_minus_i
  EXPECT_TRUE(correction_table(run).empty());
  EXPECT_EQ(correction_csv(run).find("\r\n") + 2, correction_csv(run).size());
  run.points = {point_at(10e6, 5e3, 0.1, 0.2), point_at(10e6, -5e3, 0.1, 0.2)};
  run.points[0].readings[1].value.reset();
  const auto rows = correction_table(run);
  ASSERT_EQ(rows.size(), 1U);
  EXPECT_EQ(rows[0].offset_hz, -5e3);
}

TEST(Correction, FilesHoldTheTable) {
  record::Run run = sample::healthy();
  run.points = {point_at(10.1e6, 5e3, 0.1, 0.2), point_at(10.2e6, 5e3, 0.0, 0.0)};
  const auto made = nlohmann::json::parse(correction_json(run));
  EXPECT_EQ(made["correction"], "H30-001");
  ASSERT_EQ(made["rows"].size(), 2U);
  EXPECT_EQ(made["rows"][0]["rf_hz"], 10.1e6);
  EXPECT_EQ(made["rows"][0]["captures"], 1);
  EXPECT_DOUBLE_EQ(made["rows"][0]["q_from_i"], correction_table(run)[0].q_from_i);
  EXPECT_TRUE(made["rows"][1]["rejection_before_db"].is_null());
  const std::string csv = correction_csv(run);
  EXPECT_THAT(csv, ::testing::StartsWith("rf_hz,lo_hz,offset_hz,level_dbm,captures,"));
  EXPECT_THAT(csv, ::testing::HasSubstr("\r\n10100000,10095000,5000,-40,1,0.1"));
}

}  // namespace
}  // namespace nightbench::report
