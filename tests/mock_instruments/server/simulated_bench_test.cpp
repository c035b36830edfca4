#include "mock_instruments/server/simulated_bench.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <complex>
#include <fstream>
#include <numbers>

#include "bench_harness.hpp"

namespace nightbench::mock::server {
namespace {

using std::numbers::pi;

class OnBothTransports : public ::testing::TestWithParam<Transport> {};

INSTANTIATE_TEST_SUITE_P(Transports, OnBothTransports,
                         ::testing::Values(Transport::memory, Transport::tcp), [](const auto& at) {
                           return at.param == Transport::memory ? "memory" : "tcp";
                         });

TEST_P(OnBothTransports, EveryInstrumentSetsAndReadsBack) {
  Harness h(GetParam());
  h.start(kBenches + "heron-30.json");
  ASSERT_TRUE(h.started());
  EXPECT_EQ(h.bench->name(), "heron-30");
  EXPECT_EQ(h.bench->boards().size(), 4U);
  const std::vector<std::string> names{"clock", "generator", "meter", "relays", "scope", "supply"};
  const auto resources = h.bench->resources();
  ASSERT_EQ(resources.size(), names.size());
  for (std::size_t i = 0; i < names.size(); ++i) {
    EXPECT_EQ(resources[i].first, names[i]);
    EXPECT_TRUE(h.ask(names[i], "*IDN?").starts_with("NIGHTBENCH,SIM-"));
    EXPECT_EQ(h.error(names[i]), "0,\"No error\"");
  }
  h.tell("generator", ":SOUR:FREQ 10.105 MHZ;:SOUR:POW -40;:OUTP ON");
  EXPECT_EQ(h.number("generator", ":SOUR:FREQ?"), 10.105e6);
  EXPECT_EQ(h.number("generator", ":SOUR:POW?"), -40.0);
  EXPECT_EQ(h.ask("generator", ":OUTP?"), "1");
  h.tell("clock", ":SOUR1:FREQ 10.1E6;:SOUR2:PHAS 89.5;:OUTP1 ON;:OUTP2 ON");
  EXPECT_EQ(h.number("clock", ":SOUR2:FREQ?"), 10.1e6);
  EXPECT_EQ(h.number("clock", ":SOUR2:PHAS?"), 89.5);
  h.tell("supply", ":INST:NSEL 1;:VOLT 10;CURR 0.15;CURR:PROT:STAT ON;:OUTP ON");
  EXPECT_EQ(h.number("supply", ":VOLT?"), 10.0);
  EXPECT_NEAR(h.number("supply", ":MEAS:VOLT?"), 10.0, 0.02);
  h.tell("relays", ":ROUT:CLOS (@103)");
  EXPECT_EQ(h.ask("relays", ":ROUT:CLOS? (@101:103)"), "0,0,1");
  EXPECT_NEAR(h.number("meter", ":MEAS:VOLT:DC?"), 2.5, 0.1);
  h.tell("scope", ":CHAN1:RANG 4;OFFS 2.5;COUP DC;:ACQ:SRAT 200E3;POIN 5000");
  EXPECT_EQ(h.number("scope", ":CHAN1:RANG?"), 4.0);
  EXPECT_EQ(h.number("scope", ":CHAN1:OFFS?"), 2.5);
  EXPECT_EQ(h.number("scope", ":ACQ:POIN?"), 5000.0);
  EXPECT_EQ(h.ask("scope", ":SING;*OPC?"), "1");
  EXPECT_EQ(h.block("scope", ":WAV:FORM BYTE;:WAV:DATA?", 5000).size(), 5000U);
  h.ask("generator", ":SOUR:FREQ 1E12;*OPC?");
  EXPECT_EQ(h.error("generator"), "-222,\"Data out of range\"");
  EXPECT_EQ(h.number("generator", ":SOUR:FREQ?"), 10.105e6);
}

void power_and_drive(Harness& h) {
  h.tell("supply", ":VOLT 10;CURR 0.15;CURR:PROT:STAT ON;:OUTP ON");
  h.tell("generator", ":SOUR:FREQ 10.105E6;:SOUR:POW -40;:OUTP ON");
  h.tell("clock", ":SOUR:FREQ 10.1E6;:OUTP1 ON;:OUTP2 ON");
  h.tell("scope",
         ":CHAN1:RANG 4;OFFS 2.5;:CHAN2:RANG 4;OFFS 2.5;:ACQ:SRAT 200E3;POIN 8000;:TRIG:SWE AUTO;"
         ":WAV:FORM WORD;BYT LSBF;UNS OFF");
}

// The complex amplitude of one channel at a frequency.
std::complex<double> line(Harness& h, int channel, double hz) {
  h.tell("scope", ":WAV:SOUR CHAN" + std::to_string(channel));
  const std::string bytes = h.block("scope", ":WAV:DATA?", 16'000);
  std::complex<double> sum;
  for (std::size_t i = 0; i + 1 < bytes.size(); i += 2) {
    const auto code = static_cast<std::int16_t>(static_cast<unsigned char>(bytes[i]) |
                                                static_cast<unsigned char>(bytes[i + 1]) << 8);
    const double t = 5e-6 * static_cast<double>(i / 2);
    sum += std::polar(code * 4.0 / 65536, -2 * pi * hz * t);
  }
  return sum * (2.0 / 8000);
}

TEST(SimulatedBench, AnIdealInstrumentWouldReadTheTruth) {
  Harness h;
  h.start(kBenches + "heron-30.json");
  ASSERT_TRUE(h.started());
  EXPECT_FALSE(h.bench->truth().rf_on);
  EXPECT_FALSE(h.bench->truth().supply_on);
  power_and_drive(h);
  const Truth truth = h.bench->truth();
  EXPECT_TRUE(truth.rf_on && truth.lo_on && truth.supply_on);
  EXPECT_FALSE(truth.supply_tripped);
  EXPECT_NEAR(truth.rf_hz, 10.105e6 * (1 + 0.3e-6), 1e-3);  // the file's 0.3 ppm
  EXPECT_NEAR(truth.rf_dbm, -39.9, 1e-2);                   // its 0.1 dB and slope
  EXPECT_NEAR(truth.supply_v, 10.005, 1e-6);                // its 0.05 %
  EXPECT_EQ(truth.board, "H30-001");
  const BoardTruth board = h.bench->board_truth(truth.rf_hz, truth.lo_hz, truth.rf_dbm);
  EXPECT_NEAR(board.if_hz, truth.rf_hz - truth.lo_hz, 1e-6);
  EXPECT_GT(board.image_rejection_db, 33.0);
  EXPECT_LT(std::fabs(board.q_after_i_deg - 90.0), 3.0);

  EXPECT_EQ(h.ask("scope", ":SING;*OPC?"), "1");
  const std::complex<double> i = line(h, 1, board.if_hz);
  const std::complex<double> q = line(h, 2, board.if_hz);
  const double gain1 = h.bench->scope_truth("scope", 1)->gain;
  const double gain2 = h.bench->scope_truth("scope", 2)->gain;
  EXPECT_NEAR(std::abs(i), gain1 * board.i_v, 5e-3 * board.i_v);
  EXPECT_NEAR(std::abs(q) / std::abs(i), board.gain_ratio * gain2 / gain1, 2e-3);
  EXPECT_NEAR(std::remainder(std::arg(q / i) * 180 / pi - board.q_after_i_deg, 360), 0.0, 0.15);
  EXPECT_NEAR(gain1, 1.0, 0.012);
  EXPECT_LE(std::fabs(gain1 - gain2), 0.0041);  // 0.3 % of match and two range errors
  EXPECT_FALSE(h.bench->scope_truth("scope", 3));
  EXPECT_FALSE(h.bench->scope_truth("meter", 1));

  h.tell("supply", ":OUTP OFF");
  EXPECT_FALSE(h.bench->truth().supply_on);
}

TEST(SimulatedBench, BoardsDifferAsTheFileSays) {
  Harness h;
  h.start(kBenches + "heron-30.json");
  ASSERT_TRUE(h.started());
  std::map<std::string, BoardTruth> boards;
  for (const std::string& serial : h.bench->boards()) {
    ASSERT_TRUE(h.bench->place_board(serial));
    EXPECT_EQ(h.bench->truth().board, serial);
    boards[serial] = h.bench->board_truth(10.125e6 + 5e3, 10.125e6, -40);
  }
  EXPECT_GT(boards["H30-001"].image_rejection_db, 35.0);
  EXPECT_GT(boards["H30-002"].image_rejection_db, 35.0);
  EXPECT_NE(boards["H30-001"].i_v, boards["H30-002"].i_v);
  // 4 deg of LO error: 34.1 to 34.6 dB on the nominal board, as gain and phase error together (the
  // sampling capacitors load each other; the circuit simulation's lo_phase cases show the same).
  EXPECT_NEAR(boards["H30-003"].image_rejection_db, 34.3, 2.0);
  EXPECT_NEAR(20 * std::log10(boards["H30-003"].gain_ratio), 0.31, 0.1);
  EXPECT_LT(boards["H30-004"].image_rejection_db, 20.0);
  const auto unknown = h.bench->place_board("H30-005");
  ASSERT_FALSE(unknown);
  EXPECT_NE(unknown.error().message.find("has no board \"H30-005\"; did you mean \"H30-00"),
            std::string::npos)
      << unknown.error().message;
  ASSERT_TRUE(h.bench->place_board(""));
  EXPECT_EQ(h.bench->truth().board, "");
  EXPECT_NEAR(h.number("meter", ":MEAS:VOLT?"), 0.0, 2e-3);
}

TEST(SimulatedBench, TheVirtualHandMovesProbes) {
  Harness h;
  h.start(kBenches + "heron-30.json");
  ASSERT_TRUE(h.started());
  power_and_drive(h);
  EXPECT_EQ(h.bench->attached("scope/1"), "i_out");
  ASSERT_TRUE(h.bench->attach("meter", "switch_supply"));
  EXPECT_NEAR(h.number("meter", ":MEAS:VOLT?"), 5.0, 0.1);
  ASSERT_TRUE(h.bench->attach("meter", ""));
  EXPECT_NEAR(h.number("meter", ":MEAS:VOLT?"), 0.0, 2e-3);
  EXPECT_FALSE(h.bench->attach("meter", "somewhere"));
  EXPECT_FALSE(h.bench->attach("nobody", "i_out"));
  // Both probes on one node: the match measurement.
  ASSERT_TRUE(h.bench->attach("scope/2", "i_out"));
  h.ask("scope", ":SING;*OPC?");
  const double hz = h.bench->truth().rf_hz - h.bench->truth().lo_hz;
  const std::complex<double> ratio = line(h, 2, hz) / line(h, 1, hz);
  const double wanted =
      h.bench->scope_truth("scope", 2)->gain / h.bench->scope_truth("scope", 1)->gain;
  EXPECT_NEAR(std::abs(ratio), wanted, 5e-4);
  // Without the generator's cable there is no RF.
  ASSERT_TRUE(h.bench->attach("generator", ""));
  EXPECT_FALSE(h.bench->truth().rf_on);
}

// A session that touches everything; what was said and when.
std::string conversation(const std::string& file, std::uint64_t seed) {
  std::ifstream stream(file);
  std::string text((std::istreambuf_iterator<char>(stream)), {});
  const std::string before = "\"seed\": 20261";
  text.replace(text.find(before), before.size(), "\"seed\": " + std::to_string(seed));
  Harness h;
  h.start_text(text);
  if (!h.started()) return "(did not start)";
  power_and_drive(h);
  std::string out = h.ask("supply", ":MEAS:CURR?");
  h.tell("relays", ":ROUT:CLOS (@102)");
  out += h.ask("meter", ":MEAS:VOLT?");
  for (int i = 0; i < 3; ++i) {
    h.tell("generator", ":SOUR:FREQ " + std::to_string(10'110'000 + 1000 * i));
    h.ask("scope", ":SING;*OPC?");
    for (const char* channel : {"1", "2"}) {
      h.tell("scope", std::string(":WAV:SOUR CHAN") + channel);
      out += h.ask("scope", ":WAV:PRE?") + h.block("scope", ":WAV:DATA?", 16'000);
    }
  }
  return out + std::to_string(h.clock().now().time_since_epoch().count());
}

TEST(SimulatedBench, OneSeedIsOneNightBitForBit) {
  for (const char* file : {"heron-30.json", "heron-30-typical.json"}) {
    const std::string first = conversation(kBenches + file, 20261);
    EXPECT_GT(first.size(), 96'000U);
    EXPECT_TRUE(first == conversation(kBenches + file, 20261)) << file;
    EXPECT_FALSE(first == conversation(kBenches + file, 20262)) << file;
  }
}

TEST(SimulatedBench, LatencyIsSpentOnTheClock) {
  Harness instant;
  instant.start(kBenches + "heron-30.json");
  ASSERT_TRUE(instant.started());
  power_and_drive(instant);
  instant.ask("scope", ":SING;*OPC?");
  EXPECT_EQ(instant.now(), 0.0);

  Harness typical;
  typical.start(kBenches + "heron-30-typical.json");
  ASSERT_TRUE(typical.started());
  power_and_drive(typical);
  const double start = typical.now();
  EXPECT_GT(start, 0.05);
  typical.ask("scope", ":SING;*OPC?");
  const double taken = typical.now() - start;
  EXPECT_GE(taken, 0.04 + 0.06);  // 8000 points at 200 kS/s, and what stands around them
  EXPECT_LE(taken, 0.06 + 0.06);
  const double before = typical.now();
  typical.block("scope", ":WAV:DATA?", 16'000);
  EXPECT_NEAR(typical.now() - before, 0.016 + 0.004, 0.002);  // 1 MB/s
}

TEST(SimulatedBench, PlaysRecordingsOneAfterAnother) {
  const std::string data = "../../tests/data/circuit_simulation/";
  for (const char* codes : {"8", "16", "float"}) {
    Harness h;
    h.start_text(R"({"simulated_bench": "player", "instruments": {"scope":
        {"model": "scope_playback", "codes": ")" +
                 std::string(codes) + R"(", "recordings": [")" + data +
                 R"(healthy_10mhz_above.sigmf-meta", ")" + data +
                 R"(healthy_10mhz_below.sigmf-meta"]}}})");
    ASSERT_TRUE(h.started());
    h.tell("scope", ":CHAN1:RANG 8;OFFS 2.5;:WAV:FORM ASC;POIN 50");
    const auto record = [&h] {
      EXPECT_EQ(h.ask("scope", ":SING;*OPC?"), "1");
      return h.ask("scope", ":WAV:DATA?");
    };
    const std::string first = record();
    const std::string second = record();
    EXPECT_NE(first, second) << codes;
    EXPECT_EQ(first, record()) << codes;  // and from the beginning again
    EXPECT_EQ(h.error("scope"), "0,\"No error\"");
  }
  Harness missing;
  const auto made = SimulatedBench::start_text(
      R"({"simulated_bench": "player", "instruments": {"scope":
          {"model": "scope_playback", "recordings": ["nowhere.sigmf-meta"]}}})",
      "b.json", kBenches, missing.clock(), Transport::memory);
  ASSERT_FALSE(made);
  EXPECT_NE(made.error().file.find("nowhere.sigmf-meta"), std::string::npos);
}

std::size_t resident_bytes() {
  std::ifstream file("/proc/self/statm");
  std::size_t pages = 0;
  std::size_t resident = 0;
  file >> pages >> resident;
  return resident * 4096;
}

TEST(SimulatedBench, SixtyFourBenchesFitInOneProcess) {
  constexpr std::size_t kBenchCount = 64;
  std::vector<std::unique_ptr<Harness>> benches;
  for (std::size_t i = 0; i < kBenchCount; ++i) {
    benches.push_back(std::make_unique<Harness>());
    benches.back()->start(kBenches + "heron-30.json");
    ASSERT_TRUE(benches.back()->started());
    power_and_drive(*benches.back());
    EXPECT_EQ(benches.back()->ask("scope", ":SING;*OPC?"), "1");
  }
// A sanitizer's own bookkeeping is larger than the benches.
#if !defined(__SANITIZE_ADDRESS__) && !defined(__SANITIZE_THREAD__)
  EXPECT_LT(resident_bytes(), std::size_t{512} << 20);
#endif
  RecordProperty("resident_mib", static_cast<int>(resident_bytes() >> 20));
}

TEST_P(OnBothTransports, StopEndsEveryConnection) {
  Harness h(GetParam());
  h.start(kBenches + "heron-30.json");
  ASSERT_TRUE(h.started());
  const auto stream = h.connect("meter");
  EXPECT_TRUE(h.exchange(*stream, "*IDN?\n", 0));
  h.bench->stop();
  const auto gone = h.exchange(*stream, "*IDN?\n", 0);
  ASSERT_FALSE(gone);
  EXPECT_EQ(gone.error().kind, ErrorKind::refused);
}

}  // namespace
}  // namespace nightbench::mock::server
