#include "sequences/reading/refusal.hpp"

#include <gmock/gmock.h>

#include <limits>

#include "tests/sequences/reading/captures.hpp"

namespace nightbench::reading {
namespace {

using test::BoardOut;
using test::capture;
using test::Captured;
using test::context_for;
using test::pi;
using test::ScopeSetting;

BoardOut healthy() {
  BoardOut board;
  board.noise_v = 0.01;
  return board;
}

IqResult measure(const BoardOut& board, const ScopeSetting& setting = {}) {
  const Captured c = capture(board, setting);
  return measure_iq(c.i(), c.q(), context_for(board));
}

void expect_refused(const IqResult& result, Reason reason, const char* words = "") {
  ASSERT_TRUE(result.refused.has_value());
  EXPECT_EQ(result.refused->reason, reason) << result.refused->detail;
  EXPECT_THAT(result.refused->detail, testing::HasSubstr(words));
  EXPECT_FALSE(result.image_rejection_db.has_value());
  EXPECT_FALSE(result.if_hz.has_value());
  EXPECT_EQ(result.if_hz.error().reason, reason);
}

TEST(Refusals, HealthyIsAccepted) {
  const IqResult result = measure(healthy());
  EXPECT_FALSE(result.refused.has_value()) << result.refused->detail;
}

TEST(Refusals, ClippedInTheConverter) {
  BoardOut board = healthy();
  board.amplitude_v = 2.7;
  expect_refused(measure(board), Reason::clipped, "converter");
}

// One code at the limit is enough; none is none.
TEST(Refusals, OneCodeAtTheLimit) {
  Captured c = capture(healthy());
  EXPECT_FALSE(refuse_clipped_converter(c.i(), "I").has_value());
  c.i_codes[700] = 127;
  ASSERT_TRUE(refuse_clipped_converter(c.i(), "I").has_value());
  EXPECT_THAT(refuse_clipped_converter(c.i(), "I")->detail, testing::HasSubstr("1 at or above"));
}

// Flats of 10 % and more of the amplitude, in 1 % of noise; lighter ones need more samples.
TEST(Refusals, ClippedInTheDevice) {
  BoardOut board = healthy();
  for (double depth : {0.1, 0.15, 0.2}) {
    board.clip_low_v = 2.5 - board.amplitude_v * (1.0 - depth);
    expect_refused(measure(board), Reason::clipped, "flat in the device");
  }
  ScopeSetting longer;
  longer.points = 20000;
  board.clip_low_v = 2.5 - board.amplitude_v * 0.95;
  expect_refused(measure(board, longer), Reason::clipped, "flat in the device");
  board.clip_low_v = -1e9;
  board.clip_high_v = 2.5 + board.amplitude_v * 0.9;
  expect_refused(measure(board), Reason::clipped, "highest");
}

// SCO-7: a full-scale 8-bit sine spends acos(1 - q/a)/pi = 4.0 % of its samples in the top code;
// that alone is no clipping.
TEST(Refusals, Sco7TopCodeShareIsNoClipping) {
  EXPECT_NEAR(std::acos(1.0 - 1.0 / 127.0) / pi, 0.0399713344, 1e-9);
  EXPECT_NEAR(std::acos(1.0 - 1.0 / 2047.0) / pi, 0.0099500184, 1e-9);
  BoardOut board;
  board.amplitude_v = 126.0 * 0.02;
  board.i_offset_v = 2.5;
  board.q_offset_v = 2.5;
  const IqResult quiet = measure(board);
  EXPECT_FALSE(quiet.refused.has_value()) << quiet.refused->detail;
  const Captured c = capture(board);
  const auto top = std::count(c.i_codes.begin(), c.i_codes.end(), 126);
  EXPECT_NEAR(static_cast<double>(top) / 2000.0, std::acos(1.0 - 0.5 / 126.0) / pi, 0.01);
}

// A strong second harmonic without flats is distortion, not clipping.
TEST(Refusals, DistortionIsNotClipping) {
  BoardOut board = healthy();
  board.second = 0.03;
  const IqResult result = measure(board);
  EXPECT_FALSE(result.refused.has_value()) << result.refused->detail;
  EXPECT_NEAR(result.thd_i_db->value, 20.0 * std::log10(0.03), 0.3);
}

TEST(Refusals, EmptyKeepsTheOffsets) {
  BoardOut board = healthy();
  board.amplitude_v = 0.0;
  const IqResult result = measure(board);
  expect_refused(result, Reason::empty);
  ASSERT_TRUE(result.i_offset_v.has_value());
  EXPECT_NEAR(result.i_offset_v->value, 2.51, 0.01);
}

TEST(Refusals, BadSamples) {
  std::vector<double> y(1000);
  for (std::size_t n = 0; n < y.size(); ++n) {
    y[n] = std::cos(2.0 * pi * 0.01 * static_cast<double>(n));
  }
  std::vector<double> bad = y;
  bad[500] = std::numeric_limits<double>::quiet_NaN();
  const auto i = signal::trace_of(std::span<const double>(y), 1e-6);
  const auto q = signal::trace_of(std::span<const double>(bad), 1e-6);
  const IqResult result = measure_iq(i, q, {});
  expect_refused(result, Reason::bad_samples, "sample 500");
}

TEST(Refusals, TooFewPeriodsAndPoints) {
  ScopeSetting brief;
  brief.points = 900;  // 4.5 periods
  expect_refused(measure(healthy(), brief), Reason::too_few_periods);
  ScopeSetting tiny;
  tiny.points = 40;
  expect_refused(measure(healthy(), tiny), Reason::too_few_points);
}

TEST(Refusals, Aliased) {
  BoardOut board = healthy();
  board.if_hz = 455e3;  // of 1 MS/s
  expect_refused(measure(board), Reason::aliased, "455000");
  board.if_hz = 1.26e6;
  expect_refused(measure(board), Reason::aliased, "260000");
}

// SCO-6: two rates.
TEST(Refusals, Sco6TwoRates) {
  EXPECT_DOUBLE_EQ(signal::apparent_frequency_hz(1.26e6, 500e3), 240e3);
  EXPECT_DOUBLE_EQ(signal::apparent_frequency_hz(1.26e6, 400e3), 60e3);
  EXPECT_THAT(
      alias_candidates_hz(500e3, 240e3, 400e3, 60e3, 1.0, 5e6),
      testing::ElementsAre(testing::DoubleNear(0.74e6, 1e-6), testing::DoubleNear(1.26e6, 1e-6),
                           testing::DoubleNear(2.74e6, 1e-6), testing::DoubleNear(3.26e6, 1e-6),
                           testing::DoubleNear(4.74e6, 1e-6)));
  const auto why = refuse_aliased_pair(500e3, 240e3, 400e3, 60e3, 0.5, 5e6);
  ASSERT_TRUE(why.has_value());
  EXPECT_EQ(why->reason, Reason::aliased);
  EXPECT_THAT(why->detail, testing::HasSubstr("1.26e+06"));
  EXPECT_FALSE(refuse_aliased_pair(500e3, 60e3, 400e3, 60e3 + 1.0, 0.5, 5e6).has_value());
}

TEST(Refusals, Unlocked) {
  BoardOut board = healthy();
  const Captured c = capture(board);
  IqContext context = context_for(board);
  context.lo_hz -= 300.0;  // the LO stands 300 Hz off
  const IqResult result = measure_iq(c.i(), c.q(), context);
  expect_refused(result, Reason::unlocked, "300 Hz");
  context.lo_hz += 290.0;  // 10 Hz off: 1 ppm each of 10 MHz, inside three u
  EXPECT_FALSE(measure_iq(c.i(), c.q(), context).refused.has_value());
  EXPECT_FALSE(refuse_not_following(1000.0, 1000.4, 0.2, {}).has_value());
  EXPECT_EQ(refuse_not_following(1000.0, -1000.0, 0.2, {})->reason, Reason::unlocked);
}

TEST(Refusals, DriftingFrequencyAndAmplitude) {
  ScopeSetting longer;
  longer.points = 10000;
  BoardOut board = healthy();
  board.drift_hz_per_s = 2000.0;  // 20 Hz over the record
  expect_refused(measure(board, longer), Reason::drifting, "second half");
  board = healthy();
  board.fade_per_s = 5.0;  // 5 % over the record
  expect_refused(measure(board, longer), Reason::drifting, "quarters");
  board.fade_per_s = 0.5;
  EXPECT_FALSE(measure(board, longer).refused.has_value());
}

TEST(Refusals, InterferedAndNotATone) {
  BoardOut board = healthy();
  board.other_hz = 23.7e3;
  board.other_v = 0.4;
  expect_refused(measure(board), Reason::interfered, "another line at 2");
  board.other_v = 0.05;
  EXPECT_FALSE(measure(board).refused.has_value());
  board = healthy();
  board.noise_v = 0.2;  // SNR 10 dB
  expect_refused(measure(board), Reason::not_a_tone, "SINAD");
}

TEST(Refusals, ChannelsDisagree) {
  // Q carries another frequency, near enough to be taken along by the common fit.
  signal::test::QuickNoise random(8);
  std::vector<double> i;
  std::vector<double> q;
  for (int n = 0; n < 4000; ++n) {
    i.push_back(std::cos(2.0 * pi * 5000.0 * 1e-6 * n) + 1e-3 * random());
    q.push_back(std::sin(2.0 * pi * 5010.0 * 1e-6 * n) + 1e-3 * random());
  }
  const IqResult result = measure_iq(signal::trace_of(std::span<const double>(i), 1e-6),
                                     signal::trace_of(std::span<const double>(q), 1e-6), {});
  ASSERT_TRUE(result.refused.has_value());
  EXPECT_EQ(result.refused->reason, Reason::channels_disagree) << result.refused->detail;
}

// Thresholds are the caller's.
TEST(Refusals, ThresholdsCanBeSet) {
  BoardOut board = healthy();
  board.noise_v = 0.2;
  const Captured c = capture(board);
  IqContext context = context_for(board);
  context.limits.least_sinad_db = 5.0;
  EXPECT_FALSE(measure_iq(c.i(), c.q(), context).refused.has_value());
}

}  // namespace
}  // namespace nightbench::reading
