// The three read-out families and the player: each block decoded here by the formulas of its
// family, and compared with the record in the instrument.
#include <gtest/gtest.h>

#include <algorithm>
#include <bit>
#include <cmath>
#include <cstring>
#include <fstream>
#include <numbers>

#include "asking.hpp"
#include "mock_instruments/instrument/recorded_waves.hpp"
#include "mock_instruments/instrument/scope.hpp"
#include "tests/support/places.hpp"

namespace nightbench::mock::instrument {
namespace {

class Tone final : public WaveSource {
 public:
  std::vector<double> volts(int channel, TimePoint now, double start_s, double dt_s,
                            std::size_t n) override {
    std::vector<double> out(n);
    for (std::size_t i = 0; i < n; ++i) {
      const double t = seconds(now.time_since_epoch()) + start_s + static_cast<double>(i) * dt_s;
      out[i] = 0.5 * channel + std::sin(2 * std::numbers::pi * 5e3 * t);
    }
    return out;
  }
  double mean_volts(int channel, TimePoint) override { return 0.5 * channel; }
};

Setup setup() {
  return {"scope", {}, Latency::instant(), 3};
}

// The bytes of a definite block (IEEE 488.2, 8.7.9), which must fill the answer.
std::string block(const std::string& answer) {
  if (answer.size() < 2 || answer[0] != '#') return "(no block)";
  const auto digits = static_cast<std::size_t>(answer[1] - '0');
  const std::size_t count = std::stoul(answer.substr(2, digits));
  EXPECT_EQ(answer.size(), 2 + digits + count);
  return answer.substr(2 + digits);
}

std::vector<double> fields(const std::string& answer) {
  std::vector<double> out;
  for (std::size_t at = 0;;) {
    const std::size_t to = answer.find(',', at);
    out.push_back(std::stod(answer.substr(at, to - at)));
    if (to == std::string::npos) return out;
    at = to + 1;
  }
}

int word_at(const std::string& bytes, std::size_t i, bool little, bool is_signed) {
  const auto a = static_cast<unsigned char>(bytes[2 * i]);
  const auto b = static_cast<unsigned char>(bytes[2 * i + 1]);
  const int code = little ? a | b << 8 : a << 8 | b;
  return is_signed && code >= 32768 ? code - 65536 : code;
}

std::vector<double> truth(Scope& scope, int channel) {
  const ScopeRecord* record = scope.front_end().record(channel, TimePoint{});
  std::vector<double> out;
  if (record == nullptr) return out;
  for (const int raw : record->raw) out.push_back(raw * record->volts_per_raw() + record->offset_v);
  return out;
}

void expect_same(const std::vector<double>& found, const std::vector<double>& wanted, double most) {
  ASSERT_EQ(found.size(), wanted.size());
  for (std::size_t i = 0; i < found.size(); ++i) ASSERT_NEAR(found[i], wanted[i], most) << i;
}

TEST(ScopeWaveform, EveryFormatSaysTheSameVolts) {
  World world{TimePoint{}};
  ScopeWaveform scope(world, setup(), {}, std::make_unique<Tone>());
  Asker ask(scope);
  ask.ask(":CHAN1:RANG 4;OFFS 0.5;:CHAN2:RANG 5;OFFS 1;:ACQ:SRAT 300E3;POIN 2000");
  EXPECT_EQ(ask.number("CHAN2:RANG?"), 8.0);  // the next step up
  EXPECT_EQ(ask.number("CHAN2:SCAL?"), 1.0);
  EXPECT_EQ(ask.number("ACQ:SRAT?"), 200e3);
  ask.ask(":CHAN2:RANG 4");
  ask.ask(":WAV:DATA?");
  EXPECT_EQ(ask.error(), -230);
  EXPECT_EQ(ask.text(":SING;*OPC?"), "1");
  for (const int channel : {1, 2}) {
    ask.ask(":WAV:SOUR CHAN" + std::to_string(channel));
    const std::vector<double> wanted = truth(scope, channel);
    for (const bool little : {false, true}) {
      for (const bool is_unsigned : {false, true}) {
        for (const bool word : {false, true}) {
          ask.ask(std::string(":WAV:FORM ") + (word ? "WORD" : "BYTE") +
                  (little ? ";BYT LSBF" : ";BYT MSBF") + (is_unsigned ? ";UNS ON" : ";UNS OFF"));
          const std::vector<double> pre = fields(ask.text(":WAV:PRE?"));
          ASSERT_EQ(pre.size(), 10U);
          EXPECT_EQ(pre[0], word ? 1 : 0);
          EXPECT_EQ(pre[2], 2000);
          EXPECT_EQ(pre[4], 5e-6);
          const std::string bytes = block(ask.text(":WAV:DATA?"));
          ASSERT_EQ(bytes.size(), word ? 4000U : 2000U);
          std::vector<double> found;
          for (std::size_t i = 0; i < 2000; ++i) {
            int code = static_cast<unsigned char>(bytes[i]);
            if (!word && !is_unsigned && code >= 128) code -= 256;
            if (word) code = word_at(bytes, i, little, !is_unsigned);
            found.push_back((code - pre[9]) * pre[7] + pre[8]);
          }
          expect_same(found, wanted, 1e-9);
        }
      }
    }
    ask.ask(":WAV:FORM ASC");
    expect_same(fields(ask.text(":WAV:DATA?")), wanted, 1e-5);
  }
  ask.ask(":WAV:POIN 500");
  EXPECT_EQ(fields(ask.text(":WAV:DATA?")).size(), 500U);
  ask.ask(":CHAN2:DISP OFF;:SING");
  EXPECT_EQ(ask.error(), 0);
  ask.ask(":WAV:SOUR CHAN2;DATA?");
  EXPECT_EQ(ask.error(), -221);
}

TEST(ScopeWaveform, NormalTriggerWaitsForEverWithoutAnEdge) {
  World world{TimePoint{}};
  ScopeWaveform scope(world, setup(), {}, std::make_unique<Tone>());
  Asker ask(scope);
  ask.ask(":TRIG:SWE NORM;EDGE:SOUR CHAN1;LEV 3;:SING");
  EXPECT_EQ(ask.ask("*OPC?"), std::nullopt);
  EXPECT_EQ(ask.text("STAT:OPER:COND?"), std::to_string(8 + 32));
  ask.ask(":STOP");
  EXPECT_EQ(ask.text("*OPC?"), "1");
  ask.ask(":TRIG:EDGE:LEV 0.5;:SING");
  EXPECT_EQ(ask.text("*OPC?"), "1");
}

TEST(ScopeCurve, EveryEncodingSaysTheSameVolts) {
  World world{TimePoint{}};
  ScopeCurve scope(world, setup(), {}, std::make_unique<Tone>());
  Asker ask(scope);
  EXPECT_EQ(ask.text(":HEAD?"), ":HEAD 1");  // scpi-488.md 7b: headers until switched off
  ask.ask(":HEAD OFF;:SEL:CH1 ON;:CH1:SCA 0.4;OFFS 0.5;:HOR:SAMPLER 2E5;RECO 1000;:ACQ:STOPA SEQ");
  EXPECT_EQ(ask.error(), 0);
  EXPECT_EQ(ask.number(":CH1:SCA?"), 0.5);
  EXPECT_EQ(ask.text(":ACQ:STATE?"), "0");
  ask.ask(":ACQ:STATE RUN;*WAI;:DAT:SOU CH1;STAR 101;STOP 900");
  EXPECT_EQ(ask.text(":ACQ:STATE?"), "0");
  std::vector<double> wanted = truth(scope, 1);
  wanted = {wanted.begin() + 100, wanted.begin() + 900};
  for (const std::string encoding : {"RIB", "RPB", "SRI", "SRP", "ASCI"}) {
    for (const int width : {1, 2}) {
      ask.ask(":DAT:ENC " + encoding + ";WID " + std::to_string(width));
      EXPECT_EQ(ask.number(":WFMO:NR_PT?"), 800);
      EXPECT_EQ(ask.number(":WFMO:XINCR?"), 5e-6);
      EXPECT_EQ(ask.number(":WFMO:PT_OFF?"), -100);
      EXPECT_EQ(ask.text(":WFMO:BYT_OR?"), encoding[0] == 'S' ? "LSB" : "MSB");
      const bool positive = encoding == "RPB" || encoding == "SRP";
      EXPECT_EQ(ask.text(":WFMO:BN_FMT?"), positive ? "RP" : "RI");
      const double scale = ask.number(":WFMO:YMULT?");
      const double middle = ask.number(":WFMO:YOFF?");
      const double zero = ask.number(":WFMO:YZERO?");
      std::vector<double> codes;
      if (encoding == "ASCI") {
        codes = fields(ask.text(":CURV?"));
      } else {
        const std::string bytes = block(ask.text(":CURV?"));
        ASSERT_EQ(bytes.size(), 800U * static_cast<unsigned>(width));
        for (std::size_t i = 0; i < 800; ++i) {
          int code = static_cast<unsigned char>(bytes[i]);
          if (!positive && code >= 128) code -= 256;
          if (width == 2) code = word_at(bytes, i, encoding[0] == 'S', !positive);
          codes.push_back(code);
        }
      }
      for (double& code : codes) code = zero + scale * (code - middle);
      expect_same(codes, wanted, 1e-9);
    }
  }
  ask.ask(":HEAD ON;:DAT:ENC RIB;WID 1");
  EXPECT_TRUE(ask.text(":CURV?").starts_with(":CURV #3800"));
  EXPECT_TRUE(ask.text(":WFMO?").starts_with(":WFMO BYT_NR 1;"));
}

TEST(ScopeTrace, EveryFormatSaysTheSameVolts) {
  World world{TimePoint{}};
  ScopeConfig config;
  config.bits = 12;
  ScopeTrace scope(world, setup(), config, std::make_unique<Tone>());
  Asker ask(scope);
  ask.ask(":SENS2:STAT ON;:SENS2:VOLT:RANG 3;RANG:OFFS 1;:SENS:SWE:POIN 1000;TINT 5E-6");
  EXPECT_EQ(ask.error(), 0);
  EXPECT_EQ(ask.number(":SENS2:VOLT:RANG?"), 5.0);
  EXPECT_EQ(ask.number(":SENS:SWE:TINT?"), 5e-6);
  EXPECT_NEAR(ask.number(":SENS:SWE:TIME?"), 5e-3, 1e-12);
  ask.ask(":FORM INT,16;:INIT;*WAI");
  EXPECT_EQ(ask.text("FORM?"), "INT,16");
  const std::vector<double> wanted = truth(scope, 2);
  const std::string words = block(ask.text(":TRAC? CH2"));
  ASSERT_EQ(words.size(), 2000U);
  for (std::size_t i = 0; i < 1000; ++i) {
    const double volts = word_at(words, i, false, true) * 5.0 / 65536 + 1.0;
    ASSERT_NEAR(volts, wanted[i], 1e-9);
  }
  for (const char* order : {"NORM", "SWAP"}) {
    const bool little = std::string(order) == "SWAP";
    for (const std::size_t width : {4U, 8U}) {
      ask.ask(":FORM:BORD " + std::string(order) + ";:FORM REAL," + std::to_string(8 * width));
      std::string bytes = block(ask.text(":TRAC:DATA? CH2"));
      ASSERT_EQ(bytes.size(), 1000 * width);
      std::vector<double> found;
      for (std::size_t i = 0; i < 1000; ++i) {
        std::string one = bytes.substr(i * width, width);
        // This machine is little-endian; "NORMal" is most significant byte first (scpi-488.md 7c).
        if (little != (std::endian::native == std::endian::little)) {
          std::ranges::reverse(one);
        }
        float narrow = 0;
        double wide = 0;
        if (width == 4)
          std::memcpy(&narrow, one.data(), 4);
        else
          std::memcpy(&wide, one.data(), 8);
        found.push_back(width == 4 ? static_cast<double>(narrow) : wide);
      }
      expect_same(found, wanted, 1e-6);
    }
  }
  // Check value BLK-8: 1.0 begins 3F when the most significant byte comes first.
  ask.ask(":FORM ASC");
  expect_same(fields(ask.text(":FETC2?")), wanted, 1e-5);
  ask.ask(":FORM REAL,16");
  EXPECT_EQ(ask.error(), -224);
}

TEST(ScopeTrace, TriggersFromTheBusAndRefusesTwice) {
  World world{TimePoint{}};
  ScopeTrace scope(world, setup(), {}, std::make_unique<Tone>());
  Asker ask(scope);
  ask.ask("*TRG");
  EXPECT_EQ(ask.error(), -211);
  ask.ask(":TRIG:SOUR BUS;:INIT");
  ask.ask(":INIT");
  EXPECT_EQ(ask.error(), -213);
  EXPECT_EQ(ask.ask("*OPC?"), std::nullopt);
  ask.ask("*TRG");
  EXPECT_EQ(ask.text("*OPC?"), "1");
  ask.ask(":TRIG:SOUR INT2;LEV 1");
  EXPECT_EQ(fields(ask.text(":READ2?")).size(), 10'000U);
}

TEST(ScopePlayback, ServesARecordingUnchanged) {
  const std::filesystem::path file =
      std::string(NIGHTBENCH_SOURCE_DIR) +
      "/tests/data/circuit_simulation/healthy_10mhz_above.sigmf-meta";
  const auto recording = read_recording({file});
  ASSERT_TRUE(recording) << describe(recording.error());
  ASSERT_EQ(recording->channels.size(), 2U);
  const std::size_t n = recording->channels[0].size();
  ScopeConfig config;
  config.bits = 16;
  config.noise_lsb = config.gain_error = config.gain_match = config.range_gain = 0.0;
  config.offset_error = config.skew_s = 0.0;
  World world{TimePoint{}};
  ScopeWaveform scope(world, setup(), config, recorded_waves({*recording}));
  Asker ask(scope);
  ask.ask(":CHAN1:RANG 8;OFFS 2.5;:CHAN2:RANG 8;OFFS 2.5;:ACQ:POIN 100000;SRAT 1E3");
  EXPECT_EQ(ask.number("ACQ:SRAT?"), 1e6);  // the recording's own
  for (const char* format : {"WORD", "REAL"}) {
    ask.ask(std::string(":WAV:FORM ") + format + ";BYT LSBF;UNS OFF;:SING");
    for (const int channel : {1, 2}) {
      ask.ask(":WAV:SOUR CHAN" + std::to_string(channel));
      const std::vector<double> pre = fields(ask.text(":WAV:PRE?"));
      ASSERT_EQ(pre[2], static_cast<double>(n));
      EXPECT_DOUBLE_EQ(pre[4], 1e-6);
      const std::string bytes = block(ask.text(":WAV:DATA?"));
      for (std::size_t i = 0; i < n; ++i) {
        const double wanted =
            static_cast<double>(recording->channels[static_cast<std::size_t>(channel) - 1][i]);
        if (pre[0] == 1) {
          const double volts = word_at(bytes, i, true, true) * pre[7] + pre[8];
          ASSERT_NEAR(volts, wanted, 0.51 * 8 / 65536);
        } else {
          float value = 0;
          std::memcpy(&value, bytes.data() + 4 * i, 4);
          ASSERT_EQ(static_cast<double>(value), wanted);
        }
      }
    }
  }
}

TEST(ScopePlayback, RefusesDamagedRecordingsWithTheirName) {
  const std::filesystem::path folder = std::filesystem::path(NIGHTBENCH_BINARY_DIR) / "scopes_test";
  std::filesystem::create_directories(folder);
  const auto write = [&](const std::string& name, const std::string& text) {
    std::ofstream(folder / name, std::ios::binary) << text;
  };
  const auto refused = [&](const std::string& name) {
    const auto made = read_recording({folder / (name + ".sigmf-meta")});
    return made ? std::string("accepted") : describe(made.error());
  };
  write("a.sigmf-meta", R"({"global": {"core:datatype": "ci16_le", "core:sample_rate": 1000}})");
  EXPECT_NE(refused("a").find("expected the datatype cf32_le or rf32_le, found ci16_le"),
            std::string::npos)
      << refused("a");
  write("b.sigmf-meta", R"({"global": {"core:datatype": "cf32_le", "core:sample_rate": 1000}})");
  write("b.sigmf-data", "1234567");
  EXPECT_NE(refused("b").find("is no whole number of samples"), std::string::npos) << refused("b");
  write("c.sigmf-meta", R"({"global": {"core:datatype": "rf32_le", "core:sample_rate": 0}})");
  EXPECT_NE(refused("c").find("must be above 0"), std::string::npos) << refused("c");
  EXPECT_NE(refused("d").find("d.sigmf-meta"), std::string::npos);
}

}  // namespace
}  // namespace nightbench::mock::instrument
