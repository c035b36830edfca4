// The board against the circuit simulation (tests/data/circuit_simulation): every case.
//
// Answers are fitted from our waves exactly as the simulation's were from its samples.
#include <gtest/gtest.h>

#include <cmath>
#include <complex>
#include <map>
#include <string>
#include <vector>

#include "mock_instruments/board/board.hpp"
#include "simulation_cases.hpp"
#include "wave_fit.hpp"

namespace nightbench::mock::board::test {
namespace {

constexpr double if_amplitude_db = 0.3;
constexpr double if_phase_deg = 0.5;
constexpr double rf_amplitude_db = 1.0;
constexpr double rf_phase_deg = 2.0;

class SimulationTest : public testing::TestWithParam<SimulationCase> {};
std::vector<SimulationCase> cases(bool rf) {
  auto out = simulation_cases();
  std::erase_if(out, [rf](const SimulationCase& one) { return one.rf != rf; });
  return out;
}
std::string case_name(const testing::TestParamInfo<SimulationCase>& info) {
  return info.param.id;
}

class IfCase : public SimulationTest {};
class RfCase : public SimulationTest {};

TEST_P(IfCase, AmplitudePhaseOffsetAndFrequency) {
  const SimulationCase& one = GetParam();
  auto board = Board::make(one.parameters, one.faults);
  ASSERT_TRUE(board);
  const auto file = one.files.at("iq").get<std::string>();
  const std::size_t n = capture(file).size() / 2;
  const std::array points{TestPoint::i_out, TestPoint::q_out};
  const auto waves = board->waveform(one.stimulus, points, one.start, 1 / one.rate_hz, n);
  const IqResponse response = board->iq_response(one.stimulus, one.start);
  EXPECT_DOUBLE_EQ(response.if_hz, one.stimulus.rf_hz - one.stimulus.lo_hz);

  // A clipped wave pulls the pure sine fit's frequency; take the same frequency for both.
  const auto& reference = one.reference;
  const double true_if = std::abs(one.stimulus.rf_hz - one.stimulus.lo_hz);
  const double hz = reference.at("if_hz").is_null() ? true_if : reference.at("if_hz").get<double>();
  const std::array fits{fit(waves[0], one.rate_hz, hz), fit(waves[1], one.rate_hz, hz)};
  const std::array<std::string, 2> names{"i", "q"};
  for (std::size_t k = 0; k < 2; ++k) {
    SCOPED_TRACE(names[k]);
    const double expected = reference.at(names[k] + "_amplitude_v");
    if (expected < 1e-3) {
      EXPECT_LT(std::abs(fits[k].phasor), 1e-3) << "dead in the simulation";
    } else {
      EXPECT_NEAR(db(std::abs(fits[k].phasor) / expected), 0.0, if_amplitude_db);
    }
    // The offset of an open capacitor path still drifts after 2 ms (README of the simulation).
    const bool drifts = one.id == "cap_path_open_90" && k == 1;
    // The static clip knows nothing of the stage's recovery from the rail, which lifts the mean.
    const bool clipped = k == 0 ? response.i_clipped : response.q_clipped;
    EXPECT_EQ(clipped, one.id == "level_m28" || one.id == "bias_low_20pct");
    const double offset = reference.at(names[k] + "_offset_v");
    EXPECT_NEAR(fits[k].offset, offset, clipped ? 30e-3 : drifts ? 5e-3 : 0.5e-3);
    EXPECT_NEAR(*std::ranges::min_element(waves[k]),
                reference.at(names[k] + "_min_v").get<double>(), 0.02);
    // Not clipped: iq_response and the wave say the same.
    if (!clipped && expected > 1e-3) {
      const auto phasor = k == 0 ? response.i_v : response.q_v;
      const double from_start = 360 * std::fmod(true_if * one.start.fraction_s, 1.0);
      EXPECT_NEAR(std::abs(fits[k].phasor) / std::abs(phasor), 1.0, 1e-4);
      // hz is the simulation's fitted frequency, up to a few mHz off over 1.6 ms.
      EXPECT_NEAR(apart_deg(degrees(fits[k].phasor), degrees(phasor) + from_start), 0.0, 0.01);
    }
  }
  if (!reference.at("q_minus_i_deg").is_null()) {
    EXPECT_NEAR(apart_deg(degrees(fits[1].phasor / fits[0].phasor),
                          reference.at("q_minus_i_deg").get<double>()),
                0.0, if_phase_deg);
  }
}
INSTANTIATE_TEST_SUITE_P(CircuitSimulation, IfCase, testing::ValuesIn(cases(false)), case_name);

TEST(CircuitSimulation, WaveEqualsTheFineStepCaseSampleBySample) {
  // The 2 ns cases of the simulation are 1.3 degrees off in absolute phase, because its
  // integration rule shifts the filter's tuning; this one was made with 0.5 ns.
  for (const SimulationCase& one : cases(false)) {
    if (one.id != "cap_path_open_90") continue;
    auto board = Board::make(one.parameters, one.faults);
    ASSERT_TRUE(board);
    const auto samples = capture(one.files.at("iq").get<std::string>());
    const std::array points{TestPoint::i_out};
    const auto wave =
        board->waveform(one.stimulus, points, one.start, 1 / one.rate_hz, samples.size() / 2);
    for (std::size_t k = 0; k < wave[0].size(); ++k) {
      ASSERT_NEAR(wave[0][k], samples[2 * k], 1e-3) << "sample " << k;  // of 0.91 V
    }
    return;
  }
  FAIL() << "case not found";
}

// With a path open the floating node rings, and the stored capture's step of 0.5 ns is too coarse
// for that: pin 5 comes out 0.44 dB low and 2.3 degrees early. These are the answers of the same
// netlist and the same fit with `tmax` 0.05 ns (with 0.1 ns they differ by less than 0.1 degree).
nlohmann::json answers(const SimulationCase& one) {
  nlohmann::json out = one.reference;
  if (one.id == "tp_cap_path_open_90") {
    out["points"]["pin6"]["amplitude_v"] = 27.718e-3;
    out["points"]["pin5"]["amplitude_v"] = 37.855e-3;
    out["points"]["pin3"]["amplitude_v"] = 25.622e-3;
    out["points"]["pin4"]["amplitude_v"] = 45.888e-3;
    out["phases"]["pin3_minus_pin6_deg"] = 176.139;
    out["phases"]["pin4_minus_pin5_deg"] = 169.994;
    out["phases"]["pin5_minus_pin6_deg"] = 109.409;
    out["phases"]["pin4_minus_pin3_deg"] = 103.263;
  }
  return out;
}

TEST_P(RfCase, LevelAndPhaseOfEveryTestPoint) {
  const SimulationCase& one = GetParam();
  auto board = Board::make(one.parameters, one.faults);
  ASSERT_TRUE(board);
  const nlohmann::json all = answers(one);
  std::map<std::string, Fit> fits;
  for (const auto& [pin, file] : one.files.items()) {
    SCOPED_TRACE(pin);
    const int number = std::stoi(pin.substr(3));
    const auto points = test_points();
    const auto place = std::ranges::find_if(points, [&](const TestPointInfo& point) {
      return point.part == "U1" && point.pin == number;
    });
    ASSERT_NE(place, points.end());
    const std::size_t n = capture(file).size();
    const std::array wanted{place->point};
    const auto wave = board->waveform(one.stimulus, wanted, one.start, 1 / one.rate_hz, n);
    const auto& reference = all.at("points").at(pin);
    const Fit& got = fits[pin] = fit(wave[0], one.rate_hz, reference.at("at_hz"));
    const double expected = reference.at("amplitude_v");
    if (expected < 1e-3) {
      EXPECT_LT(std::abs(got.phasor), 1e-3) << "dead in the simulation";
    } else {
      EXPECT_NEAR(db(std::abs(got.phasor) / expected), 0.0, rf_amplitude_db);
    }
    EXPECT_NEAR(got.offset, reference.at("offset_v").get<double>(), 5e-3);
  }
  int compared = 0;
  for (const auto& [between, value] : all.at("phases").items()) {
    SCOPED_TRACE(between);
    if (value.is_null()) continue;  // "dead" in the simulation: below 1 mV, compared above
    // "pin2_minus_pin14_deg"
    const auto split = between.find("_minus_");
    const std::string first = between.substr(0, split);
    const std::string second = between.substr(split + 7, between.size() - split - 7 - 4);
    EXPECT_NEAR(
        apart_deg(degrees(fits.at(first).phasor / fits.at(second).phasor), value.get<double>()),
        0.0, rf_phase_deg);
    ++compared;
  }
  EXPECT_TRUE(compared > 0 || one.id == "tp_unpowered_splitter_open_phase");
}
INSTANTIATE_TEST_SUITE_P(CircuitSimulation, RfCase, testing::ValuesIn(cases(true)), case_name);

}  // namespace
}  // namespace nightbench::mock::board::test
