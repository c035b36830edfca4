// Captures of an independent circuit simulation (tests/data/circuit_simulation, ngspice): true
// inputs and reference answers in cases.json. Nothing there was measured on hardware.
#include <gmock/gmock.h>

#include <algorithm>
#include <cmath>
#include <complex>
#include <fstream>
#include <map>
#include <nlohmann/json.hpp>
#include <set>

#include "sequences/reading/iq.hpp"
#include "tests/support/places.hpp"

namespace nightbench::reading {
namespace {

struct Case {
  nlohmann::json json;
  std::vector<float> samples;  // I and Q in turn

  std::string id() const { return json.at("id"); }
  const nlohmann::json& reference() const { return json.at("reference"); }
  double input(const char* key) const { return json.at("inputs").at(key); }
  signal::Trace channel(std::size_t which) const {
    return signal::trace_of(std::span<const float>(samples),
                            1.0 / json.at("sample_rate").get<double>(), 0.0, 2, which);
  }
  IqContext context() const {
    IqContext context;
    context.rf_hz = input("rf_hz");
    context.lo_hz = input("lo_hz");
    context.level_dbm = input("level_dbm");
    context.sense = -1;
    // A simulation has a perfect scope and source.
    context.match = {true, 0.0, 0.0, 0.0, 0.0};
    context.u_gain_rel = 0.0;
    context.u_level_db = 0.0;
    context.u_time_base_rel = 0.0;
    context.u_source_frequency_rel = 1e-6;
    context.u_lo_frequency_rel = 1e-6;
    return context;
  }
  IqResult measure() const { return measure_iq(channel(0), channel(1), context()); }
};

const std::vector<Case>& cases() {
  static const std::vector<Case> all = [] {
    const std::string folder = NIGHTBENCH_SOURCE_DIR "/tests/data/circuit_simulation/";
    std::vector<Case> found;
    std::ifstream list(folder + "cases.json");
    const nlohmann::json table = nlohmann::json::parse(list);
    for (const nlohmann::json& entry : table.at("cases")) {
      if (entry.at("kind") != "if") continue;
      Case one{entry, std::vector<float>(2 * entry.at("samples").get<std::size_t>())};
      std::ifstream data(folder + entry.at("files").at("iq").get<std::string>(), std::ios::binary);
      data.read(reinterpret_cast<char*>(one.samples.data()),
                static_cast<std::streamsize>(one.samples.size() * sizeof(float)));
      EXPECT_TRUE(data.good()) << one.id();
      found.push_back(std::move(one));
    }
    return found;
  }();
  return all;
}

const Case& case_of(const std::string& id) {
  for (const Case& one : cases()) {
    if (one.id() == id) return one;
  }
  throw std::runtime_error("no case " + id);
}

const std::set<std::string> clipped = {"level_m28", "bias_low_20pct"};
const std::set<std::string> silent = {"splitter_reversed"};
const std::set<std::string> q_dead = {"pins_5_4_interchanged"};

TEST(CircuitSimulation, HasTheCases) {
  EXPECT_GE(cases().size(), 28u);
}

TEST(CircuitSimulation, ClippedByTheOpAmpGivesNoReading) {
  for (const std::string& id : clipped) {
    const IqResult result = case_of(id).measure();
    ASSERT_TRUE(result.refused.has_value()) << id;
    EXPECT_EQ(result.refused->reason, Reason::clipped) << id << ": " << result.refused->detail;
    for (const NamedOutcome& one : quantities(result)) {
      EXPECT_FALSE(one.outcome->has_value()) << id << " " << one.name;
    }
  }
}

TEST(CircuitSimulation, SameLevelWithoutClippingIsAccepted) {
  EXPECT_FALSE(case_of("level_m33").measure().refused.has_value());
}

TEST(CircuitSimulation, DeadBoardIsEmptyWithItsOffsets) {
  const Case& one = case_of("splitter_reversed");
  const IqResult result = one.measure();
  ASSERT_TRUE(result.refused.has_value());
  EXPECT_EQ(result.refused->reason, Reason::empty) << result.refused->detail;
  EXPECT_FALSE(result.i_amplitude_v.has_value());
  ASSERT_TRUE(result.i_offset_v.has_value());
  EXPECT_NEAR(result.i_offset_v->value, one.reference().at("i_offset_v").get<double>(), 1e-5);
  EXPECT_NEAR(result.q_offset_v->value, one.reference().at("q_offset_v").get<double>(), 1e-5);
}

TEST(CircuitSimulation, DeadQStillGivesI) {
  const Case& one = case_of("pins_5_4_interchanged");
  const IqResult result = one.measure();
  EXPECT_FALSE(result.refused.has_value());
  ASSERT_TRUE(result.i_amplitude_v.has_value());
  EXPECT_NEAR(result.i_amplitude_v->value, one.reference().at("i_amplitude_v").get<double>(), 1e-5);
  ASSERT_FALSE(result.q_amplitude_v.has_value());
  EXPECT_EQ(result.q_amplitude_v.error().reason, Reason::empty);
  EXPECT_FALSE(result.gain_balance_db.has_value());
  EXPECT_FALSE(result.image_rejection_db.has_value());
  EXPECT_TRUE(result.q_offset_v.has_value());
  ASSERT_FALSE(result.findings.empty());
  EXPECT_EQ(result.findings.front().kind, FindingKind::channel_dead);

  IqContext strict = one.context();
  strict.dead_channel = DeadChannelPolicy::refuse;
  const IqResult nothing = measure_iq(one.channel(0), one.channel(1), strict);
  ASSERT_TRUE(nothing.refused.has_value());
  EXPECT_EQ(nothing.refused->reason, Reason::empty);
}

// Every other capture is accepted and agrees with the reference answers: IF 1e-4 relative, phase
// 0.1 deg, gain balance 0.02 dB; image rejection 0.3 dB up to 75 dB, above 80 dB "better than 80".
TEST(CircuitSimulation, AnswersAgree) {
  for (const Case& one : cases()) {
    const std::string id = one.id();
    if (clipped.contains(id) || silent.contains(id) || q_dead.contains(id)) continue;
    const IqResult result = one.measure();
    ASSERT_FALSE(result.refused.has_value()) << id << ": " << result.refused->detail;
    const nlohmann::json& reference = one.reference();
    const auto expect = [&](const char* key) { return reference.at(key).get<double>(); };
    EXPECT_NEAR(result.if_hz->value, one.input("if_hz"), 1e-4 * one.input("if_hz")) << id;
    EXPECT_NEAR(result.i_amplitude_v->value, expect("i_amplitude_v"),
                1e-3 * expect("i_amplitude_v"))
        << id;
    EXPECT_NEAR(result.q_amplitude_v->value, expect("q_amplitude_v"),
                1e-3 * expect("q_amplitude_v"))
        << id;
    EXPECT_NEAR(result.i_offset_v->value, expect("i_offset_v"), 1e-3) << id;
    EXPECT_NEAR(result.q_offset_v->value, expect("q_offset_v"), 1e-3) << id;
    EXPECT_NEAR(std::remainder(result.q_minus_i_deg->value - expect("q_minus_i_deg"), 360.0), 0.0,
                0.1)
        << id;
    EXPECT_NEAR(result.gain_balance_db->value, expect("gain_imbalance_db"), 0.02) << id;
    const double rejection = expect("image_rejection_formula_db");
    if (rejection < 75.0) {
      EXPECT_NEAR(result.image_rejection_db->value, rejection, 0.3) << id;
      EXPECT_NEAR(result.image_rejection_spectrum_db->value, rejection, 0.3) << id;
    } else {
      EXPECT_GT(result.image_rejection_db->value, 75.0) << id;
      EXPECT_GT(result.image_rejection_spectrum_db->value, 75.0) << id;
    }
    for (const Finding& finding : result.findings) {
      EXPECT_NE(finding.kind, FindingKind::rejections_disagree) << id << ": " << finding.detail;
    }
  }
}

// RF above the LO: Q leads, signed IF positive; the wiring faults that exchange lines are found as
// a reversed sense, not taken for the other sideband.
TEST(CircuitSimulation, SignedIf) {
  const std::set<std::string> reversed = {"lo_swapped", "pairs_90_270_swapped"};
  const std::set<std::string> in_line = {"pairs_90_180_swapped", "lo_pin2_stuck_low",
                                         "lo_pin14_stuck_low", "opamp_minus_open_q"};
  for (const Case& one : cases()) {
    const std::string id = one.id();
    if (clipped.contains(id) || silent.contains(id) || q_dead.contains(id)) continue;
    const IqResult result = one.measure();
    if (in_line.contains(id)) {
      ASSERT_FALSE(result.signed_if_hz.has_value()) << id;
      EXPECT_EQ(result.signed_if_hz.error().reason, Reason::channels_disagree) << id;
      continue;
    }
    ASSERT_TRUE(result.signed_if_hz.has_value()) << id;
    const double truth = one.input("rf_hz") - one.input("lo_hz");
    const bool flips = result.signed_if_hz->value * truth < 0.0;
    EXPECT_EQ(flips, reversed.contains(id)) << id;
    const bool found = std::any_of(
        result.findings.begin(), result.findings.end(),
        [](const Finding& finding) { return finding.kind == FindingKind::sense_reversed; });
    EXPECT_EQ(found, flips) << id;
  }
}

// Conversion gain against the source's open-circuit peak: -40 dBm gives 6.324555 mV.
TEST(CircuitSimulation, ConversionGain) {
  const IqResult result = case_of("healthy_mid_above").measure();
  ASSERT_TRUE(result.conversion_gain_i_db.has_value());
  const double amplitude = case_of("healthy_mid_above").reference().at("i_amplitude_v");
  EXPECT_NEAR(result.conversion_gain_i_db->value, 20.0 * std::log10(amplitude / 0.00632455532),
              1e-3);
  EXPECT_NEAR(result.conversion_gain_db->value, result.conversion_gain_i_db->value, 1e-3);
}

// Clipping seen by the converter itself: the same waveform, quantised into too small a range.
TEST(CircuitSimulation, ConverterClippingIsSeenInTheCodes) {
  const Case& one = case_of("healthy_mid_above");
  std::vector<std::int8_t> codes;
  for (float v : one.samples) {
    codes.push_back(
        static_cast<std::int8_t>(std::clamp(std::lrint((v - 2.5) / 0.007), -128L, 127L)));
  }
  signal::Trace i = signal::trace_of(std::span<const std::int8_t>(codes), 1e-6, 0.0, 2, 0);
  signal::Trace q = signal::trace_of(std::span<const std::int8_t>(codes), 1e-6, 0.0, 2, 1);
  for (signal::Trace* trace : {&i, &q}) {
    trace->volts_per_code = 0.007;
    trace->offset_v = 2.5;
    trace->limits = signal::ConverterLimits{-128.0, 127.0};
  }
  const IqResult result = measure_iq(i, q, one.context());
  ASSERT_TRUE(result.refused.has_value());
  EXPECT_EQ(result.refused->reason, Reason::clipped);
  EXPECT_THAT(result.refused->detail, testing::HasSubstr("converter"));
}

}  // namespace
}  // namespace nightbench::reading
