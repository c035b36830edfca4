// Bench files: the minimal, the full one, and a folder of wrong ones with their messages.
#include "drivers/bench/bench_file.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <fstream>

#include "drivers/base/json.hpp"
#include "tests/support/places.hpp"

namespace nightbench::bench {
namespace {

using instrument::Role;

const std::filesystem::path kSamples =
    std::filesystem::path(NIGHTBENCH_SOURCE_DIR) / "tests" / "drivers" / "bench" / "files";

TEST(BenchFile, MinimalHasTheDefaults) {
  const auto bench = read_bench(kSamples / "good" / "minimal.json");
  ASSERT_TRUE(bench) << describe(bench.error());
  EXPECT_EQ(bench->kind, Kind::instruments);
  ASSERT_EQ(bench->instruments.size(), 1u);
  EXPECT_EQ(bench->instruments[0].timeout, std::chrono::seconds(3));
  EXPECT_FALSE(bench->instruments[0].settle);
  EXPECT_EQ(bench->uncertainty.meter_input_ohm, 10e6);
  EXPECT_EQ(bench->rf_path.loss_db, 0);
  EXPECT_EQ(bench->with_role(Role::scope), nullptr);
  EXPECT_EQ(bench->where(Role::meter, "mid_rail"), nullptr);
  EXPECT_TRUE(bench->relay_channels().empty());
}

TEST(BenchFile, FullSaysEverything) {
  const auto read = read_bench(kSamples / "good" / "full.json");
  ASSERT_TRUE(read) << describe(read.error());
  const BenchFile& bench = *read;
  EXPECT_EQ(bench.name, "workbench");
  EXPECT_EQ(bench.file, kSamples / "good" / "full.json");
  ASSERT_EQ(bench.instruments.size(), 6u);
  const InstrumentEntry* generator = bench.with_role(Role::rf_source);
  ASSERT_NE(generator, nullptr);
  EXPECT_EQ(generator->name, "generator");
  EXPECT_EQ(generator->resource, "TCPIP::192.168.1.20::5025::SOCKET");
  EXPECT_EQ(generator->timeout, std::chrono::seconds(4));
  EXPECT_EQ(*generator->settle, std::chrono::milliseconds(20));
  EXPECT_EQ(generator->calibrated, "2026-03-01");
  EXPECT_EQ(generator->calibration_due, "2027-03-01");
  EXPECT_EQ(generator->identity, "^Heronworks,");
  EXPECT_EQ(bench.named("supply")->channel, 1);
  EXPECT_EQ(bench.named("clock")->dialect, (kSamples / "good" / "own-clock.json").string())
      << "a path is relative to the bench file";

  EXPECT_EQ(bench.where(Role::scope, "q_out")->port, 2);
  EXPECT_FALSE(bench.where(Role::scope, "q_out")->relay_channel);
  const Connection* mid_rail = bench.where(Role::meter, "mid_rail");
  ASSERT_NE(mid_rail, nullptr);
  EXPECT_EQ(mid_rail->relay_instrument, "relays");
  EXPECT_EQ(mid_rail->relay_channel, 103);
  EXPECT_FALSE(mid_rail->port);
  EXPECT_EQ(bench.where(Role::meter, "q_out"), nullptr);
  EXPECT_EQ(bench.relay_channels(), (std::vector<int>{101, 102, 103}));

  EXPECT_EQ(bench.rf_path.loss_db, 0.2);
  EXPECT_EQ(bench.rf_path.loss_uncertainty_db, 0.1);
  EXPECT_EQ(bench.safe.rf_level_most_dbm, 0);
  EXPECT_EQ(bench.safe.supply_voltage_most_v, 15);
  EXPECT_EQ(bench.safe.supply_current_most_a, 0.25);
  const Uncertainty& u = bench.uncertainty;
  EXPECT_EQ(u.scope_gain, 0.02);
  EXPECT_EQ(u.scope_gain_match, 0.01);
  EXPECT_EQ(u.scope_skew_s, 1e-9);
  EXPECT_EQ(u.time_base, 5e-6);
  EXPECT_EQ(u.rf_frequency, 1e-6);
  EXPECT_EQ(u.lo_frequency, 2e-6);
  EXPECT_EQ(u.rf_level_db, 0.5);
  EXPECT_EQ(u.meter_dc_reading, 0.0005);
  EXPECT_EQ(u.meter_dc_range, 0.0001);
  EXPECT_EQ(u.meter_input_ohm, 11e6);
  EXPECT_EQ(u.supply_voltage.reading, 0.004);
  EXPECT_EQ(u.supply_voltage.floor, 0.03);
  EXPECT_EQ(u.supply_current.reading, 0.02);
  EXPECT_EQ(u.supply_current.floor, 0.002);
  EXPECT_EQ(u.probe_gain, 0.005);
  EXPECT_EQ(u.probe_load_ohm, 1e6);
  EXPECT_EQ(u.probe_load_farad, 15e-12);
}

TEST(BenchFile, ProbesMovedByHandAreOnNoTestPoint) {
  const auto node = json::parse(R"({"bench": "b", "kind": "simulated", "simulation": "s.json",
    "instruments": {"scope": {"role": "scope", "dialect": "scope-waveform"},
                    "meter": {"role": "meter", "dialect": "meter-scpi"}},
    "connections": [{"port": "scope/2", "by_hand": true}, {"port": "meter", "by_hand": true},
                    {"port": "scope/1", "by_hand": true}, {"port": "scope/3", "at": "i_out"}],
    "uncertainty": {"meter_ohms": {"reading": "1 %", "range": "0.3 %", "floor": "0.4 ohm"}}})",
                                "bench.json");
  ASSERT_TRUE(node);
  const auto bench = decode_bench(*node);
  ASSERT_TRUE(bench) << describe(bench.error());
  const auto probes = bench->by_hand(Role::scope);
  ASSERT_EQ(probes.size(), 2u);
  EXPECT_EQ(port_name(probes[0]), "scope/2") << "in the order of the file";
  EXPECT_EQ(port_name(probes[1]), "scope/1");
  EXPECT_EQ(port_name(bench->by_hand(Role::meter).at(0)), "meter");
  EXPECT_TRUE(bench->by_hand(Role::supply).empty());
  EXPECT_EQ(bench->where(Role::scope, ""), nullptr) << "by hand is nowhere";
  EXPECT_EQ(bench->where(Role::scope, "i_out")->port, 3);
  EXPECT_EQ(bench->uncertainty.meter_ohms_reading, 0.01);
  EXPECT_EQ(bench->uncertainty.meter_ohms_range, 0.003);
  EXPECT_EQ(bench->uncertainty.meter_ohms_floor, 0.4);
}

TEST(BenchFile, SimulatedAndReplay) {
  const auto simulated = read_bench(kSamples / "good" / "simulated.json");
  ASSERT_TRUE(simulated) << describe(simulated.error());
  EXPECT_EQ(simulated->kind, Kind::simulated);
  EXPECT_EQ(simulated->simulation, kSamples / "benches" / "heron-30.json");
  const auto replay = read_bench(kSamples / "good" / "replay.json");
  ASSERT_TRUE(replay) << describe(replay.error());
  EXPECT_EQ(replay->kind, Kind::replay);
  EXPECT_EQ(replay->recording, kSamples / "good" / "night.jsonl");
}

// Every file of wrong/ begins with a comment that is its expected error, pointer first.
class WrongBenches : public testing::TestWithParam<std::string> {};

TEST_P(WrongBenches, AreRefusedWithPlaceAndReason) {
  const std::filesystem::path file = kSamples / "wrong" / GetParam();
  std::ifstream in(file);
  std::string expected;
  std::getline(in, expected);
  ASSERT_TRUE(expected.starts_with("// ")) << expected;
  const auto bench = read_bench(file);
  ASSERT_FALSE(bench) << "accepted";
  EXPECT_EQ(bench.error().kind, ErrorKind::bad_input);
  EXPECT_EQ(bench.error().file, file.string());
  EXPECT_EQ(bench.error().pointer + ": " + bench.error().message, expected.substr(3));
}

std::vector<std::string> wrong_files() {
  std::vector<std::string> out;
  for (const auto& entry : std::filesystem::directory_iterator(kSamples / "wrong")) {
    out.push_back(entry.path().filename().string());
  }
  std::sort(out.begin(), out.end());
  return out;
}
INSTANTIATE_TEST_SUITE_P(Samples, WrongBenches, testing::ValuesIn(wrong_files()),
                         [](const auto& tested) {
                           std::string name = tested.param;
                           for (char& c : name) {
                             if (std::isalnum(static_cast<unsigned char>(c)) == 0) c = '_';
                           }
                           return name;
                         });

}  // namespace
}  // namespace nightbench::bench
