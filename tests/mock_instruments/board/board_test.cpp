// Waves and moments: phase over a night, agreement of channels, drift, determinism.
#include "mock_instruments/board/board.hpp"

#include <gtest/gtest.h>

#include <cmath>

#include "wave_fit.hpp"

namespace nightbench::mock::board::test {
namespace {

constexpr std::array iq_points{TestPoint::i_out, TestPoint::q_out};

Board make(const Parameters& parameters, std::vector<Fault> faults = {}) {
  return Board::make(parameters, std::move(faults)).value();
}

TEST(BoardWaveform, PhaseIsThatOfAbsoluteTimeAfterTenHours) {
  Board board = make(healthy_30m());
  Stimulus stimulus;
  stimulus.rf_hz = 10.125e6 + 0.25;  // not a whole number of hertz
  const double if_hz = stimulus.rf_hz - stimulus.lo_hz;
  const IqResponse expected = board.iq_response(stimulus);
  for (const std::int64_t seconds : {0, 1, 36001}) {
    const Moment t0{seconds, 0.375};
    const auto waves = board.waveform(stimulus, iq_points, t0, 1.01e-6, 20000);
    const Fit got = fit(waves[0], 1 / 1.01e-6, if_hz);
    const double turns = std::fmod(0.25 * static_cast<double>(seconds), 1.0) + if_hz * 0.375;
    EXPECT_NEAR(apart_deg(degrees(got.phasor), degrees(expected.i_v) + 360 * turns), 0, 0.002);
    EXPECT_NEAR(std::abs(got.phasor) / std::abs(expected.i_v), 1.0, 1e-5);
  }
}

TEST(BoardWaveform, OneRecordContinuesTheOther) {
  Board board = make(healthy_30m());
  const std::array points{TestPoint::i_out, TestPoint::splitter_phase, TestPoint::lo_90};
  const double dt = 3.1e-9;
  const Moment t0{35999, 0.9999};
  const auto whole = board.waveform(Stimulus{}, points, t0, dt, 2000);
  const auto rest = board.waveform(Stimulus{}, points, t0.plus(700 * dt), dt, 1300);
  for (std::size_t p = 0; p < points.size(); ++p) {
    for (std::size_t k = 0; k < rest[p].size(); ++k) {
      // 7 digits of a nanosecond remain of a second; edges move 2.5 V per nanosecond.
      ASSERT_NEAR(rest[p][k], whole[p][k + 700], points[p] == TestPoint::lo_90 ? 1e-5 : 1e-6);
    }
  }
}

TEST(BoardWaveform, MomentKeepsWholeSecondsApart) {
  const Moment start = Moment::at(-0.25);
  EXPECT_EQ(start.seconds, -1);
  EXPECT_DOUBLE_EQ(start.fraction_s, 0.75);
  const Moment later = Moment{36000, 0.75}.plus(1.5);
  EXPECT_EQ(later.seconds, 36002);
  EXPECT_DOUBLE_EQ(later.fraction_s, 0.25);
}

TEST(BoardWaveform, SameNumbersWhateverWasAskedBefore) {
  Board fresh = make(with_tolerances(healthy_30m(), "0107"));
  Board used = make(with_tolerances(healthy_30m(), "0107"));
  Stimulus other;
  for (int k = 0; k < 20; ++k) {
    other.lo_hz += 1e3;
    other.temperature_c = 15 + k;
    used.waveform(other, iq_points, {k, 0.1}, 1e-6, 100);
    used.dc_volts(other, TestPoint::mid_rail);
  }
  Stimulus stimulus;
  stimulus.temperature_c = 26.4;
  const auto a = fresh.waveform(stimulus, iq_points, {77, 0.1}, 1e-6, 500);
  const auto b = used.waveform(stimulus, iq_points, {77, 0.1}, 1e-6, 500);
  EXPECT_EQ(a, b);  // bit for bit
}

TEST(BoardWaveform, ChannelsOfOneCaptureAgreeWithSingleCaptures) {
  Board board = make(healthy_30m());
  const auto both = board.waveform(Stimulus{}, iq_points, {5, 0.2}, 1e-6, 300);
  const std::array q_only{TestPoint::q_out};
  EXPECT_EQ(board.waveform(Stimulus{}, q_only, {5, 0.2}, 1e-6, 300)[0], both[1]);
}

TEST(BoardWaveform, SelectPinsCarryTheLoAsSet) {
  Board board = make(healthy_30m());
  Stimulus stimulus;
  stimulus.lo_hz = 10e6;
  stimulus.lo_high_v = 3.3;
  const std::array points{TestPoint::lo_0, TestPoint::lo_90};
  const auto waves = board.waveform(stimulus, points, {}, 1e-9, 10000);
  const Fit first = fit(waves[0], 1e9, 10e6);
  const Fit second = fit(waves[1], 1e9, 10e6);
  EXPECT_NEAR(apart_deg(degrees(second.phasor), degrees(first.phasor)), -90.0, 0.1);
  // 2/pi of the level for a square wave; 2 ns edges take sinc(1/50) of it.
  EXPECT_NEAR(std::abs(first.phasor) / (3.3 * 2 / std::numbers::pi), 0.99934, 1e-3);
  // At 0 degrees pin 14 passes half of its level upwards.
  EXPECT_NEAR(waves[0][0], 1.65, 1e-6);
  EXPECT_GT(waves[0][1], waves[0][0]);
  stimulus.lo_on = false;
  EXPECT_EQ(board.waveform(stimulus, points, {}, 1e-9, 3)[0], (std::vector<double>{5, 5, 5}));
}

TEST(BoardWaveform, SourceHarmonicLandsOnThreeTimesTheIfWithTheImageSense) {
  // signal theory, "source harmonics": -30 dBc third harmonic converts at -39.5 dBc in an open
  // sampler; here the filter takes most of it, so only place and sense are checked.
  Parameters open = healthy_30m();
  open.filter_bandwidth_hz = 1e12;
  Board board = make(open);
  Stimulus stimulus;
  stimulus.rf_harmonic3_dbc = -30.0;
  stimulus.rf_hz = stimulus.lo_hz + 1e3;
  const auto waves = board.waveform(stimulus, iq_points, {}, 1e-6, 20000);
  const double rate = 1e6;  // whole periods of all lines
  const std::complex<double> j(0, 1);
  const auto line = [&](double hz) {
    const auto i = fit(waves[0], rate, hz).phasor;
    const auto q = fit(waves[1], rate, hz).phasor;
    return std::pair{std::abs(i + j * q), std::abs(i - j * q)};
  };
  const auto [first_plus, first_minus] = line(1e3);
  const auto [third_plus, third_minus] = line(3e3);
  EXPECT_GT(first_minus, 100 * first_plus);
  EXPECT_GT(third_plus, 10 * third_minus) << "the other sense";
  EXPECT_GT(third_plus / first_minus, 1e-3);
}

TEST(BoardTemperature, DriftIsSmoothAndNearlyWhatSolvingThereGives) {
  const Parameters parameters = with_tolerances(healthy_30m(), 3);
  Board board = make(parameters);
  Board hot = make(at_temperature(parameters, 24.0));  // between two temperatures that are solved
  Stimulus stimulus;
  const IqResponse reference = hot.iq_response(stimulus);
  stimulus.temperature_c = 24.0;
  const IqResponse got = board.iq_response(stimulus);
  EXPECT_NEAR(std::abs(got.i_v / reference.i_v - 1.0), 0.0, 1e-5);
  EXPECT_NEAR(got.i_offset_v, reference.i_offset_v, 1e-6);
  double last = 0.0;
  for (int k = 0; k <= 100; ++k) {
    stimulus.temperature_c = 20.0 + 0.1 * k;
    const double level = std::abs(board.iq_response(stimulus).i_v);
    if (k > 0) {
      EXPECT_LT(std::abs(level / last - 1), 3e-4) << stimulus.temperature_c;
    }
    last = level;
  }
  stimulus.temperature_c = 40.0;
  EXPECT_GT(std::abs(board.iq_response(stimulus).i_v / reference.i_v - 1.0), 1e-3) << "it drifts";
}

TEST(BoardSerial, OneSerialIsOneBoard) {
  const Parameters first = with_tolerances(healthy_30m(), "0107");
  const Parameters again = with_tolerances(healthy_30m(), "0107");
  const Parameters other = with_tolerances(healthy_30m(), "0108");
  EXPECT_EQ(first.sampling_farad, again.sampling_farad);
  EXPECT_NE(first.sampling_farad, other.sampling_farad);
  // Written down, so that a change of generator, order or spread does not go unseen.
  EXPECT_EQ(first.sampling_farad[0], 2.192126491966628e-08);
  EXPECT_EQ(first.q_stage.minus_feedback_ohm, 99740.33292662313);
  EXPECT_EQ(first.lo_duty[1], 0.4997800919759553);
}

TEST(BoardSerial, PartsStayInsideTheirTolerances) {
  const Parameters nominal = healthy_30m();
  double most = 0.0;
  for (std::uint64_t serial = 0; serial < 500; ++serial) {
    const Parameters board = with_tolerances(nominal, serial);
    for (std::size_t k = 0; k < 4; ++k) {
      const double off = std::abs(board.sampling_farad[k] / nominal.sampling_farad[k] - 1);
      ASSERT_LE(off, 0.02);
      most = std::max(most, off);
    }
    ASSERT_LE(std::abs(board.i_stage.plus_input_ohm / 1e3 - 1), 0.01);
  }
  EXPECT_GT(most, 0.018) << "the draw uses the whole tolerance";
}

TEST(BoardIntermittentJoint, MakesAndBreaksWithTime) {
  Board board = make(healthy_30m(), {{.kind = FaultKind::cold_joint,
                                      .joint = Joint::path_0,
                                      .open_fraction = 0.3,
                                      .dwell_s = 0.5}});
  const double good = std::abs(make(healthy_30m()).iq_response({}).i_v);
  int open = 0;
  for (int k = 0; k < 400; ++k) {
    const Moment when{k / 2, 0.25 + 0.5 * (k % 2)};
    const double level = std::abs(board.iq_response({}, when).i_v);
    EXPECT_EQ(level, std::abs(board.iq_response({}, when.plus(0.2)).i_v)) << "one state a dwell";
    if (level < 0.9 * good) {
      ++open;
    } else {
      EXPECT_NEAR(level, good, 1e-9);
    }
  }
  EXPECT_NEAR(open / 400.0, 0.3, 0.07);  // three standard deviations of 400 draws
}

}  // namespace
}  // namespace nightbench::mock::board::test
