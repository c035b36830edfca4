// The board against closed-form theory of the quadrature sampling detector.
//
// Rows QSD-n: sampler theory with the formula named at each test, derived and checked numerically
// apart from this model. Not applicable here: QSD-9 (two square waves decoded by the switch turn an
// LO phase error into unequal windows, not into I/Q phase error: LoPhaseError below), QSD-11 (no
// divider on the board), QSD-14 (input impedance of a single-ended detector).
#include <gtest/gtest.h>

#include <cmath>
#include <numbers>

#include "mock_instruments/board/board.hpp"
#include "wave_fit.hpp"

namespace nightbench::mock::board::test {
namespace {

// Nothing but source, switch and capacitors: no filter, a perfect splitter, no strays, sharp LO.
Parameters ideal_sampler() {
  Parameters board;
  board.filter_bandwidth_hz = 1e12;
  board.winding_henry = 1e-3;
  board.winding_ohm = 1e-4;
  board.coupling = 0.999999;
  board.core_loss_ohm = 1e7;
  board.switch_input_farad = 0.01e-12;
  board.switch_pin_farad = 0.01e-12;
  board.wire_ohm = 1e-3;
  board.lo_edge_s = 0.1e-9;
  board.select_dead_v = 0.01;
  for (StageParameters* stage : {&board.i_stage, &board.q_stage}) {
    stage->plus_input_ohm = stage->minus_input_ohm = 100e6;
    stage->plus_feedback_ohm = stage->minus_feedback_ohm = 100e6;
    stage->plus_feedback_farad = stage->minus_feedback_farad = 1e-15;
    stage->offset_v = 0;
  }
  return board;
}

constexpr double emf_m40dbm_v = 6.324555e-3;  // QSD-13: -40 dBm set into 50 ohm, open-circuit peak

Stimulus tone(double lo_hz, double if_hz, int harmonic = 1) {
  Stimulus out;
  out.lo_hz = lo_hz;
  out.rf_hz = harmonic * lo_hz + if_hz;
  return out;
}

// Half the difference of the 0 and 180 degree capacitors, and of the 90 and 270 degree ones.
struct Capacitors {
  std::complex<double> i;
  std::complex<double> q;
};
Capacitors capacitors(Board& board, const Stimulus& stimulus, double if_hz) {
  // No simple fraction of the LO, so that what is left of it does not alias onto the tone.
  const double rate = stimulus.lo_hz / 8.3;
  const auto n = static_cast<std::size_t>(4 * rate / if_hz);
  const std::array points{TestPoint::cap_0, TestPoint::cap_90, TestPoint::cap_180,
                          TestPoint::cap_270};
  const auto waves = board.waveform(stimulus, points, {}, 1 / rate, n);
  std::array<std::complex<double>, 4> p;
  for (std::size_t k = 0; k < 4; ++k) p[k] = fit(waves[k], rate, if_hz).phasor;
  return {(p[0] - p[2]) / 2.0, (p[1] - p[3]) / 2.0};
}

Board make(const Parameters& parameters, std::vector<Fault> faults = {}) {
  return Board::make(parameters, std::move(faults)).value();
}

double sinc(double x) {
  return std::sin(std::numbers::pi * x) / (std::numbers::pi * x);
}

TEST(Qsd1ConversionFactor, CapacitorSettlesToTheMeanOverAQuarterPeriod) {
  Board board = make(ideal_sampler());
  const double got = std::abs(capacitors(board, tone(10e6, 500), 500).i) / emf_m40dbm_v;
  EXPECT_NEAR(got, 0.9003163162, 2e-3);
}

TEST(Qsd10WindowDuty, ShorterWindowsGiveSlightlyMore) {
  // Break before make of 2 % and 1 % of the period leaves windows of 0.23 and 0.24.
  for (const auto& [duty, expected] : {std::pair{0.23, 0.9152265417}, {0.24, 0.9079087974}}) {
    Parameters values = ideal_sampler();
    values.lo_edge_s = 10e-9;  // a tenth of the period; the level moves 0.5 V in a hundredth
    values.select_dead_v = 0.5 * (0.25 - duty) / 0.02;
    Board board = make(values);
    const double got = std::abs(capacitors(board, tone(10e6, 500), 500).i) / emf_m40dbm_v;
    EXPECT_NEAR(got, expected, 2e-3) << duty;
  }
}

TEST(Qsd13Levels, MinusFortyDbmAtTheNodeAndDifferentially) {
  Board board = make(ideal_sampler());
  const double node = std::abs(capacitors(board, tone(10e6, 500), 500).i);
  EXPECT_NEAR(node * 1e3, 5.694100, 0.012);
  EXPECT_NEAR(2 * node * 1e3, 11.388201, 0.024);
}

// Double-balanced: each capacitor is connected half of the time through R = 2 Rs + Ron.
TEST(RcCorner, OnePoleAtHalfOverTwoPiRc) {
  Parameters values = ideal_sampler();
  Board board = make(values);
  const double r = 2 * values.source_ohm + values.switch_on_ohm + values.path_ohm[0];
  const double corner = 0.5 / (2 * std::numbers::pi * r * values.sampling_farad[0]);
  for (const double if_hz : {5e3, 20e3, 35e3, 70e3}) {
    const double got = std::abs(capacitors(board, tone(10.12e6, if_hz), if_hz).i) / emf_m40dbm_v;
    const double plain = sinc(0.25) / std::hypot(1.0, if_hz / corner);
    EXPECT_NEAR(db(got / plain), 0.0, 0.02) << if_hz;
  }
}

TEST(Qsd5Corner, R55C100nDoubleBalancedAtOneMegahertz) {
  Parameters values = ideal_sampler();
  values.source_ohm = 25;  // the splitter shows each half twice the source
  values.path_ohm = {1e-3, 1e-3, 1e-3, 1e-3};
  values.sampling_farad = {1e-7, 1e-7, 1e-7, 1e-7};
  values.winding_henry = 0.1;  // at 1 MHz, too, nothing beside 25 ohm
  values.coupling = 1 - 1e-9;
  Board board = make(values);
  const double low = std::abs(capacitors(board, tone(1e6, 100), 100).i);
  double below = 10e3;
  double above = 20e3;
  while (above - below > 1.0) {
    const double hz = (below + above) / 2;
    const double level = std::abs(capacitors(board, tone(1e6, hz), hz).i);
    (level > low * std::sqrt(0.5) ? below : above) = hz;
  }
  EXPECT_NEAR(below / 14468.6312, 1.0, 0.007) << "formula";
  EXPECT_NEAR(below / 14381.0, 1.0, 0.007) << "the row's own switched simulation";
}

// QSD-2, QSD-3, QSD-4: sin(pi k/4) / (pi k/4); QSD-7, QSD-8: sense of I + jQ.
TEST(Qsd2To8Harmonics, LevelAndSense) {
  Board board = make(ideal_sampler());
  const auto at = [&](int harmonic) { return capacitors(board, tone(10e6, 500, harmonic), 500); };
  const Capacitors first = at(1);
  EXPECT_NEAR(degrees(first.q / first.i), 90.0, 0.2) << "QSD-7: Q leads for RF above the LO";
  struct Row {
    int harmonic;
    double relative;
    double q_less_i_deg;
  };
  for (const Row row :
       {Row{3, 1 / 3.0, -90}, {5, 1 / 5.0, 90}, {7, 1 / 7.0, -90}, {9, 1 / 9.0, 90}}) {
    const Capacitors got = at(row.harmonic);
    EXPECT_NEAR(db(std::abs(got.i) / std::abs(first.i) / row.relative), 0.0, 0.1) << row.harmonic;
    EXPECT_NEAR(apart_deg(degrees(got.q / got.i), row.q_less_i_deg), 0.0, 1.0) << row.harmonic;
  }
  // Below the LO the sense is the other one.
  const Capacitors below = capacitors(board, tone(10e6, -500), 500);
  EXPECT_NEAR(degrees(below.q / below.i), -90.0, 0.2);
  // Even harmonics cancel.
  EXPECT_LT(std::abs(at(2).i), 1e-3 * std::abs(first.i));
}

// QSD-12's rule for the double-balanced sampler: E -> 2 x 0.9003 Rf / (Ri + 2 R).
TEST(Qsd12LoadedGain, DependsOnSourceAndSwitchResistance) {
  Parameters values = ideal_sampler();
  values.source_ohm = 25;
  values.path_ohm = {1e-3, 1e-3, 1e-3, 1e-3};
  for (StageParameters* stage : {&values.i_stage, &values.q_stage}) {
    stage->plus_input_ohm = stage->minus_input_ohm = 100;
    stage->plus_feedback_ohm = stage->minus_feedback_ohm = 5000;
  }
  values.sampling_farad = {1e-6, 1e-6, 1e-6, 1e-6};  // Ri C and R C far above the LO's period
  values.bias_ohm = 0.01;  // at 20 Hz the mid-rail's capacitor alone would not hold the reference
  Board board = make(values);
  Stimulus stimulus = tone(10e6, 20);
  stimulus.switch_supply_v = 5.0;  // the divider would be too much for the regulator
  const IqResponse got = board.iq_response(stimulus);
  const double expected = 2 * 0.9003163162 * 5000 / (100 + 2 * 55) * emf_m40dbm_v;
  EXPECT_NEAR(std::abs(got.i_v) / expected, 1.0, 2e-3);
}

// Two square waves with an error d make windows of 90 + d and 90 - d with centres still 90 apart:
// the values are the harmonic balance of the circuit simulation's README (its own bounds).
TEST(LoPhaseError, GivesGainAndOnlyALittlePhase) {
  struct Row {
    double if_hz, error_deg;
  };
  Board board = make(healthy_30m(), {{.kind = FaultKind::lo_phase_error, .degrees = 5}});
  for (const Row row : {Row{100, -0.1}, {1e3, 0.1}, {5e3, 0.9}, {20e3, 3.1}}) {
    const IqResponse got = board.iq_response(tone(10.12e6, row.if_hz));
    EXPECT_NEAR(degrees(got.q_v / got.i_v) - 90, row.error_deg, 0.06) << row.if_hz;
  }
  const IqResponse got = board.iq_response(tone(10.12e6, 5e3));
  EXPECT_NEAR(db(std::abs(got.q_v / got.i_v)), -0.385, 0.01);
  EXPECT_NEAR(degrees(got.q_v / got.i_v) - 90, 0.884, 0.03);
}

// IRR = |(I - jQ) / (I + jQ)|^2, the phasor form of (1 + 2 g cos p + g^2) / (1 - 2 g cos p + g^2).
double image_rejection_db(const IqResponse& r) {
  const std::complex<double> j(0, 1);
  return std::abs(db(std::abs(r.i_v - j * r.q_v) / std::abs(r.i_v + j * r.q_v)));
}

TEST(ImageRejection, GainErrorAloneGivesItsFormula) {
  Board healthy = make(healthy_30m());
  EXPECT_GT(image_rejection_db(healthy.iq_response(tone(10.12e6, 5e3))), 80.0);
  // 2 % on one resistor of one stage at a low IF, where capacitors do not matter: I is 0.98 %
  // above Q by the four-resistor amplifier, or the whole 2 % as seen at Q / I of the simulation
  // (-0.152 dB at 5 kHz). Compare with the formula for the gain and phase that came out.
  Board board = make(healthy_30m(), {{.kind = FaultKind::gain_resistor_off,
                                      .channel = Channel::i,
                                      .inverting = true,
                                      .factor = 1.02}});
  const IqResponse got = board.iq_response(tone(10.12e6, 5e3));
  const double g = std::abs(got.q_v / got.i_v);
  const double p = degrees(got.q_v / got.i_v) * std::numbers::pi / 180 - std::numbers::pi / 2;
  const double formula =
      10 * std::log10((1 + 2 * g * std::cos(p) + g * g) / (1 - 2 * g * std::cos(p) + g * g));
  EXPECT_NEAR(image_rejection_db(got), formula, 1e-6);
  EXPECT_NEAR(formula, 40.6, 0.1);  // the simulation's capture gain_resistor_2pct
}

TEST(Reciprocity, RfAboveGivesATenthOfADecibelMoreThanBelow) {
  // README of the simulation: 0.11 dB, the source impedance is reactive there.
  Board board = make(healthy_30m());
  Stimulus above = tone(10.12e6, 5e3);
  Stimulus below = tone(10.13e6, -5e3);
  EXPECT_NEAR(db(std::abs(board.iq_response(above).i_v / board.iq_response(below).i_v)), 0.11,
              0.01);
}

}  // namespace
}  // namespace nightbench::mock::board::test
