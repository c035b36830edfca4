#include "sequences/reading/iq.hpp"

#include <gmock/gmock.h>

#include "tests/sequences/reading/captures.hpp"

namespace nightbench::reading {
namespace {

using test::BoardOut;
using test::capture;
using test::Captured;
using test::context_for;
using test::pi;
using test::ScopeErrors;
using test::ScopeSetting;

BoardOut board_40db() {
  BoardOut board;
  board.gain_ratio = 1.01;
  board.phi_rad = 0.0175;
  board.noise_v = 0.01;
  return board;
}

bool has(const IqResult& result, FindingKind kind) {
  return std::any_of(result.findings.begin(), result.findings.end(),
                     [&](const Finding& finding) { return finding.kind == kind; });
}

// Published sign convention: on this board Q leads I by 90 deg for RF above the LO.
TEST(MeasureIq, SignsOnBothSidesOfTheLo) {
  for (double signed_if : {5000.0, -5000.0}) {
    for (int sense : {-1, 1}) {
      BoardOut board = board_40db();
      board.if_hz = signed_if;
      board.sense = sense;
      // u of the phase is 0.033 deg on 2000 points, a third of the bound; on 10 000 it is 0.015
      // deg.
      ScopeSetting setting;
      setting.points = 10000;
      const Captured c = capture(board, setting);
      const IqResult result = measure_iq(c.i(), c.q(), context_for(board));
      ASSERT_FALSE(result.refused.has_value()) << result.refused->detail;
      EXPECT_NEAR(result.signed_if_hz->value, signed_if, 1.0);
      const double leads = (sense < 0) == (signed_if > 0.0) ? 1.0 : -1.0;
      EXPECT_NEAR(result.q_minus_i_deg->value, leads * (90.0 + 0.0175 * 180.0 / pi), 0.1);
      EXPECT_NEAR(result.phase_error_deg->value, 0.0175 * 180.0 / pi, 0.1);
      EXPECT_NEAR(result.gain_balance_db->value, 20.0 * std::log10(1.01), 0.01);
      EXPECT_NEAR(result.image_rejection_db->value, signal::image_rejection_db(1.01, 0.0175), 0.7);
      EXPECT_FALSE(has(result, FindingKind::sense_reversed));
      IqContext wrong = context_for(board);
      wrong.sense = -sense;
      EXPECT_TRUE(has(measure_iq(c.i(), c.q(), wrong), FindingKind::sense_reversed));
    }
  }
}

// Many records: the phase has no bias beside its scatter, and the scatter is the u that is told.
TEST(MeasureIq, PhaseIsUnbiasedAndItsUncertaintyIsItsScatter) {
  BoardOut board = board_40db();
  board.if_hz = 5123.4;  // no whole number of samples a period: each record meets other code steps
  constexpr int records = 400;
  double sum = 0.0;
  double squares = 0.0;
  double told = 0.0;
  for (std::uint64_t seed = 1; seed <= records; ++seed) {
    board.phase_rad = 0.1 * static_cast<double>(seed);
    const Captured c = capture(board, {}, seed);
    const IqResult result = measure_iq(c.i(), c.q(), context_for(board));
    ASSERT_FALSE(result.refused.has_value()) << "seed " << seed << ": " << result.refused->detail;
    const double error_deg = result.phase_error_deg->value - 0.0175 * 180.0 / pi;
    sum += error_deg;
    squares += error_deg * error_deg;
    told += result.fit->u_phase_difference_rad * 180.0 / pi / records;
  }
  const double scatter = std::sqrt(squares / records);
  EXPECT_NEAR(sum / records, 0.0, 3.3 * told / std::sqrt(records));
  EXPECT_NEAR(scatter / told, 1.0, 3.3 / std::sqrt(2.0 * records));
}

// A calibrated match takes the scope's channels out; without one U says what they may do.
TEST(MeasureIq, ChannelMatch) {
  const BoardOut board = board_40db();
  ScopeErrors scope;
  scope.q_gain = 1.02;
  scope.q_late_s = 200e-9;
  ScopeSetting setting;
  setting.points = 10000;
  signal::test::QuickNoise random(3);
  const Captured c = capture(board, scope, setting, random);
  IqContext context = context_for(board);
  const IqResult raw = measure_iq(c.i(), c.q(), context);
  EXPECT_TRUE(has(raw, FindingKind::match_missing));
  EXPECT_NEAR(raw.gain_balance_db->value, 20.0 * std::log10(1.01 * 1.02), 0.01);
  EXPECT_GT(raw.gain_balance_db->U, 0.28);
  EXPECT_THAT(raw.gain_balance_db->notes, testing::Contains("channels not matched"));
  EXPECT_GT(raw.image_rejection_db->interval->high - raw.image_rejection_db->interval->low, 5.0);

  context.match = {true, 20.0 * std::log10(1.02), 0.002, 200e-9, 5e-9};
  const IqResult matched = measure_iq(c.i(), c.q(), context);
  EXPECT_FALSE(has(matched, FindingKind::match_missing));
  EXPECT_NEAR(matched.gain_balance_db->value, 20.0 * std::log10(1.01), 0.01);
  EXPECT_NEAR(matched.phase_error_deg->value, 0.0175 * 180.0 / pi, 0.03);
  EXPECT_LT(matched.gain_balance_db->U, 0.02);
  EXPECT_NEAR(matched.image_rejection_db->value, signal::image_rejection_db(1.01, 0.0175), 0.3);
  EXPECT_NEAR(matched.image_rejection_spectrum_db->value, matched.image_rejection_db->value, 0.3);
}

// Q taken later than I, in time or by whole records: own t0 is all it needs.
TEST(MeasureIq, SequentialChannels) {
  const BoardOut board = board_40db();
  ScopeSetting setting;
  setting.q_starts_s = 3.1234e-3;
  signal::test::QuickNoise random(4);
  const Captured c = capture(board, {}, setting, random);
  const IqResult result = measure_iq(c.i(), c.q(), context_for(board));
  ASSERT_FALSE(result.refused.has_value()) << result.refused->detail;
  EXPECT_NEAR(result.phase_error_deg->value, 0.0175 * 180.0 / pi, result.phase_error_deg->U);
  EXPECT_NEAR(result.image_rejection_db->value, signal::image_rejection_db(1.01, 0.0175), 3.0);
}

TEST(MeasureIq, ConversionGainStatesItsReference) {
  BoardOut board = board_40db();
  board.gain_ratio = 1.0;
  board.phi_rad = 0.0;
  const Captured c = capture(board);
  IqContext context = context_for(board);
  context.path_loss_db = 6.0;
  context.probe_loading_db = 0.1;
  const IqResult result = measure_iq(c.i(), c.q(), context);
  const double emf = 2.0 * std::sqrt(2.0 * 50.0 * 1e-3 * std::pow(10.0, -4.6));
  EXPECT_NEAR(result.conversion_gain_db->value, 20.0 * std::log10(0.9 / emf) + 0.1, 0.02);
  EXPECT_NEAR(result.conversion_gain_i_db->value, result.conversion_gain_q_db->value, 0.02);
  context.level_dbm.reset();
  const IqResult without = measure_iq(c.i(), c.q(), context);
  ASSERT_FALSE(without.conversion_gain_db.has_value());
  EXPECT_EQ(without.conversion_gain_db.error().reason, Reason::not_measured);
}

// kappa and its correction row: applied to the samples the image is gone.
TEST(MeasureIq, CorrectionRowRemovesTheImage) {
  BoardOut board;
  board.gain_ratio = 0.9;
  board.phi_rad = 0.08;
  ScopeSetting setting;
  setting.points = 8000;
  const Captured c = capture(board, setting);
  const IqResult result = measure_iq(c.i(), c.q(), context_for(board));
  ASSERT_TRUE(result.kappa.has_value());
  std::vector<double> i;
  std::vector<double> q;
  for (std::size_t n = 0; n < setting.points; ++n) {
    const double a = signal::volt_at(c.i(), n) - result.i_offset_v->value;
    const double b = signal::volt_at(c.q(), n) - result.q_offset_v->value;
    i.push_back(a);
    // The row is for x with the sign of the IF: sense -1 with RF above turns backwards.
    q.push_back(result.correction_row[0] * a + result.correction_row[1] * b);
  }
  const IqResult corrected =
      measure_iq(signal::trace_of(std::span<const double>(i), 1e-6),
                 signal::trace_of(std::span<const double>(q), 1e-6), context_for(board));
  EXPECT_LT(result.image_rejection_db->value, 25.0);
  EXPECT_GT(corrected.image_rejection_db->value, 55.0);
}

// The spectrum sees an image-side line that moves with nothing the fit knows of: a finding.
TEST(MeasureIq, TwoWaysToRejectionAgreeOnNoiseOnly) {
  int findings = 0;
  for (std::uint64_t seed = 1; seed <= 300; ++seed) {
    BoardOut board = board_40db();
    const Captured c = capture(board, {}, seed);
    if (has(measure_iq(c.i(), c.q(), context_for(board)), FindingKind::rejections_disagree)) {
      ++findings;
    }
  }
  EXPECT_LE(findings, 2);  // three standard deviations
}
TEST(MeasureIq, TwoWaysToRejectionDisagreeWhenTheImageIsNotSteady) {
  // Gain of Q ramps within the record's first third: a window weighs the ends less than a fit.
  std::vector<double> i;
  std::vector<double> q;
  signal::test::QuickNoise random(11);
  for (int n = 0; n < 4000; ++n) {
    const double x = 2.0 * pi * 5e3 * 1e-6 * n;
    const double g = 1.0 + (n < 400 ? 0.03 : 0.0);
    i.push_back(std::cos(x) + 1e-4 * random());
    q.push_back(-g * std::sin(x) + 1e-4 * random());
  }
  IqContext context;
  context.limits.quarter_spread = 0.2;  // else it is refused as drifting, which is as well
  const IqResult result = measure_iq(signal::trace_of(std::span<const double>(i), 1e-6),
                                     signal::trace_of(std::span<const double>(q), 1e-6), context);
  ASSERT_FALSE(result.refused.has_value()) << result.refused->detail;
  EXPECT_TRUE(has(result, FindingKind::rejections_disagree));
}

// Noise that is louder at the tone than on average widens U; white noise does not.
TEST(MeasureIq, ColouredNoiseWidensU) {
  signal::test::QuickNoise random(21);
  std::vector<double> i;
  std::vector<double> q;
  double low_i = 0.0;
  double low_q = 0.0;
  for (int n = 0; n < 20000; ++n) {
    low_i = 0.95 * low_i + random();  // a pole at 8 kHz of 1 MS/s
    low_q = 0.95 * low_q + random();
    const double x = 2.0 * pi * 5e3 * 1e-6 * n;
    i.push_back(std::cos(x) + 0.003 * low_i);
    q.push_back(-std::sin(x) + 0.003 * low_q);
  }
  const IqResult result = measure_iq(signal::trace_of(std::span<const double>(i), 1e-6),
                                     signal::trace_of(std::span<const double>(q), 1e-6), {});
  ASSERT_FALSE(result.refused.has_value()) << result.refused->detail;
  EXPECT_TRUE(has(result, FindingKind::coloured_noise));
  // (1 + r)/(1 - r) over 1 + (w/pole)^2: about 4.5 times wider.
  EXPECT_GT(result.kappa_u_a.uu_real, 9.0 * std::pow(result.fit->u_ln_ratio / 2.0, 2));
}

// Repeats: kappa is averaged, so that noise does not add to the image.
TEST(MeasureIq, RepeatsAverageKappaNotDecibels) {
  BoardOut board;
  board.gain_ratio = 1.001;
  board.phi_rad = 0.001;
  board.noise_v = 0.05;
  IqContext context = context_for(board);
  context.match = {true, 0.0, 1e-5, 0.0, 1e-12};
  std::vector<IqResult> results;
  for (std::uint64_t seed = 1; seed <= 60; ++seed) {
    const Captured c = capture(board, {}, seed);
    results.push_back(measure_iq(c.i(), c.q(), context));
    ASSERT_FALSE(results.back().refused.has_value()) << results.back().refused->detail;
  }
  std::vector<const IqResult*> list;
  double mean_db = 0.0;
  for (const IqResult& one : results) {
    list.push_back(&one);
    mean_db += one.image_rejection_db->value / 60.0;
  }
  const double truth = signal::image_rejection_db(1.001, 0.001);
  const Outcome together = image_rejection_of(list);
  ASSERT_TRUE(together.has_value());
  EXPECT_LE(together->interval->low, truth);
  EXPECT_GE(together->interval->high, truth);
  EXPECT_LT(together->interval->low, together->value);
  EXPECT_GT(together->interval->low, results[0].image_rejection_db->interval->low);
  EXPECT_LT(mean_db, truth - 1.0);  // what averaging decibels would have said
  EXPECT_FALSE(image_rejection_of({}).has_value());
}

TEST(MeasureIq, QuantitiesHaveNamesAndAreFound) {
  const Captured c = capture(board_40db());
  const IqResult result = measure_iq(c.i(), c.q(), context_for(board_40db()));
  for (const NamedOutcome& one : quantities(result)) {
    EXPECT_EQ(find(result, one.name), one.outcome);
    if (one.outcome->has_value()) {
      EXPECT_EQ((*one.outcome)->quantity, one.name);
      EXPECT_FALSE((*one.outcome)->budget.empty() && !(*one.outcome)->interval) << one.name;
    }
  }
  EXPECT_EQ(find(result, "no_such_quantity"), nullptr);
  // Nothing measured: nothing is 0.
  const IqResult empty;
  for (const NamedOutcome& one : quantities(empty)) {
    ASSERT_FALSE(one.outcome->has_value());
    EXPECT_EQ(one.outcome->error().reason, Reason::not_measured);
  }
}

}  // namespace
}  // namespace nightbench::reading
