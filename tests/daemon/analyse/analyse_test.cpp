#include "daemon/analyse/analyse.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cstring>
#include <fstream>

#include "support.hpp"

namespace nightbench::analyse {
namespace {

using test::Folder;
using test::Tone;
using testing::Contains;
using testing::HasSubstr;

TEST(Analyse, TheLoComesFromTheCentreFrequency) {
  AnalyseOptions options;
  options.capture = test::simulated("healthy_mid_above");
  options.context.rf_hz = 10.125e6;
  const AnalyseOutcome got = test::analysed(options);
  EXPECT_EQ(got.context.lo_hz, 10.12e6);
  EXPECT_NEAR(test::value(got, "if_error_hz"), 0, 0.1);
  EXPECT_THAT(got.remarks, Contains(HasSubstr("taken from the capture's centre frequency")));
  // A frequency that was given counts more; with a wrong one the board is not locked to it.
  options.context.lo_hz = 10.121e6;
  EXPECT_EQ(test::reason(test::analysed(options), "if_hz"), "unlocked");
}

TEST(Analyse, WithoutFrequenciesNothingIsSaidOfTheirError) {
  AnalyseOptions options;
  options.capture = test::simulated("lo_swapped");
  const AnalyseOutcome got = test::analysed(options);
  EXPECT_NEAR(test::value(got, "if_hz"), 5000, 0.5);
  EXPECT_EQ(test::reason(got, "if_error_hz"), "not-measured");
  EXPECT_THAT(got.remarks, Contains(HasSubstr("RF or LO frequency not given")));
  for (const reading::Finding& each : got.findings) {
    EXPECT_NE(each.kind, reading::FindingKind::sense_reversed);
  }
}

// 1.26 MHz shows as 240 kHz at 500 kS/s and as 60 kHz at 400 kS/s (f_a = |f - fs round(f / fs)|).
TEST(Analyse, ASecondRateUncoversAnAlias) {
  const Folder folder;
  AnalyseOptions options;
  options.capture = test::write_tone(folder / "a", Tone{.frequency_hz = 1.26e6, .rate_hz = 500e3});
  options.context.limits.highest_over_rate = 0.49;  // so that the single capture is believed
  options.context.limits.fewest_points_a_period = 2.0;
  EXPECT_NEAR(test::value(test::analysed(options), "if_hz"), 240e3, 10);
  options.second = test::write_tone(folder / "b", Tone{.frequency_hz = 1.26e6, .rate_hz = 400e3});
  const AnalyseOutcome got = test::analysed(options);
  ASSERT_TRUE(got.refused.has_value());
  EXPECT_EQ(got.refused->reason, reading::Reason::aliased);
  EXPECT_THAT(got.refused->detail, HasSubstr("1.26e+06"));
  EXPECT_EQ(test::reason(got, "image_rejection_db"), "aliased");
  EXPECT_NEAR(test::value(got, "i_offset_v"), 2.5, 1e-3);
}

TEST(Analyse, ASecondRateThatAgreesIsTold) {
  const Folder folder;
  AnalyseOptions options;
  options.capture = test::write_tone(folder / "a", Tone{.frequency_hz = 20e3, .rate_hz = 500e3});
  options.second = test::write_tone(folder / "b", Tone{.frequency_hz = 20e3, .rate_hz = 400e3});
  const AnalyseOutcome got = test::analysed(options);
  EXPECT_FALSE(got.refused.has_value());
  EXPECT_THAT(got.remarks, Contains(HasSubstr("not aliased")));
}

TEST(Analyse, ASecondCaptureMustHaveAnotherRateAndATone) {
  const Folder folder;
  AnalyseOptions options;
  options.capture = test::write_tone(folder / "a", Tone{});
  options.second = test::write_tone(folder / "b", Tone{.rate_hz = 1.005e6});
  const auto same = analyse(options);
  ASSERT_FALSE(same.has_value());
  EXPECT_EQ(same.error().message,
            "expected a sample rate that differs from the first capture's by at least 1 %, found "
            "1.005 MHz and 1 MHz");
  options.second = test::write_tone(folder / "c", Tone{.rate_hz = 8e5, .amplitude_v = 0});
  const AnalyseOutcome got = test::analysed(options);
  EXPECT_FALSE(got.refused.has_value());
  EXPECT_THAT(got.remarks,
              Contains("no proof against aliasing: the second capture gives no reading: empty"));
}

TEST(Analyse, ChannelsAreChosenFromOne) {
  const Folder folder;
  std::vector<double> lines[3];
  for (int n = 0; n < 2000; ++n) {
    const double x = 2 * std::numbers::pi * 0.01 * n;
    lines[0].push_back(0.5 * std::sin(3 * x));
    lines[1].push_back(std::cos(x));
    lines[2].push_back(0.8 * std::sin(x));
  }
  capture::SigmfContent content;
  for (const auto& line : lines) {
    content.channels.push_back(signal::trace_of(std::span<const double>(line), 1e-5));
  }
  ASSERT_TRUE(capture::write_sigmf(folder / "a", content).has_value());
  AnalyseOptions options;
  options.capture = folder / "a";
  options.i_channel = 2;
  options.q_channel = 3;
  const AnalyseOutcome got = test::analysed(options);
  EXPECT_NEAR(test::value(got, "gain_balance_db"), 20 * std::log10(0.8), 1e-3);
  EXPECT_NEAR(test::value(got, "q_minus_i_deg"), -90, 1e-3);
  const auto error = [&](std::size_t i, std::size_t q) {
    options.i_channel = i;
    options.q_channel = q;
    const auto refused = analyse(options);
    return refused ? std::string("read") : refused.error().message;
  };
  EXPECT_EQ(error(1, 4), "expected channels from 1 to 3, asked for 4");
  EXPECT_EQ(error(0, 1), "expected channels from 1 to 3, asked for 0");
  EXPECT_EQ(error(2, 2), "expected two different channels for I and Q");
}

TEST(Analyse, OneChannelIsRefused) {
  AnalyseOptions options;
  options.capture = test::simulated("tp_healthy.pin14");
  const auto got = analyse(options);
  ASSERT_FALSE(got.has_value());
  EXPECT_EQ(got.error().kind, ErrorKind::bad_input);
  EXPECT_EQ(got.error().message, "expected two channels, I and Q, found one (SigMF rf32_le)");
}

// Codes of a converter whose full scale nobody knows.
TEST(Analyse, CodesWithoutScaleArePartsOfFullScale) {
  const Folder folder;
  const auto write = [&](double amplitude) {
    std::ofstream meta(folder / "a.sigmf-meta");
    meta << R"({"global": {"core:datatype": "ci16_le", "core:version": "1.2.0",
        "core:sample_rate": 48000}, "captures": [], "annotations": []})";
    std::ofstream data(folder / "a.sigmf-data", std::ios::binary);
    for (int n = 0; n < 9600; ++n) {
      const double x = 2 * std::numbers::pi * 0.0123 * n;
      for (const double y : {std::cos(x), std::sin(x)}) {
        const double code = std::clamp(std::round(32768 * amplitude * y), -32768.0, 32767.0);
        const auto bits = static_cast<std::int16_t>(code);
        char bytes[2];
        std::memcpy(bytes, &bits, 2);
        data.write(bytes, 2);
      }
    }
  };
  write(0.5);
  AnalyseOptions options;
  options.capture = folder / "a";
  options.context.level_dbm = -40;
  const AnalyseOutcome got = test::analysed(options);
  EXPECT_NEAR(test::value(got, "i_amplitude_v"), 0.5, 1e-4);
  EXPECT_EQ(got.find("i_amplitude_v")->unit, "FS");
  EXPECT_EQ(got.find("noise_i_v_rthz")->unit, "FS/rtHz");
  EXPECT_EQ(test::reason(got, "conversion_gain_db"), "not-measured");
  EXPECT_GT(test::value(got, "enob_i"), 13);
  EXPECT_THAT(got.remarks, Contains(HasSubstr("parts of full scale")));

  options.reading.full_scale_v = 3.0;
  const AnalyseOutcome volts = test::analysed(options);
  EXPECT_NEAR(test::value(volts, "i_amplitude_v"), 1.5, 3e-4);
  EXPECT_EQ(volts.find("i_amplitude_v")->unit, "V");
  EXPECT_EQ(test::reason(volts, "conversion_gain_db"), "has a value");

  write(1.01);
  const AnalyseOutcome clipped = test::analysed(options);
  ASSERT_TRUE(clipped.refused.has_value());
  EXPECT_EQ(clipped.refused->reason, reading::Reason::clipped);
}

TEST(Analyse, AFileThatIsWrongIsAnError) {
  AnalyseOptions options;
  options.capture = "no/such/file.csv";
  const auto got = analyse(options);
  ASSERT_FALSE(got.has_value());
  EXPECT_EQ(describe(got.error()), "no/such/file.csv: there is no such file");
}

}  // namespace
}  // namespace nightbench::analyse
