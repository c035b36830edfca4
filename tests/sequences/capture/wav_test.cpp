// WAV files written by libsndfile and read back through the reader.
#include "sequences/capture/wav.hpp"

#include <gtest/gtest.h>
#include <sndfile.h>

#include <cmath>
#include <numbers>

#include "support.hpp"

namespace nightbench::capture {
namespace {

using test::Folder;
using test::volts;

// Two channels of a tone, Q a quarter period behind and half as large.
std::vector<double> tone() {
  std::vector<double> out;
  for (int n = 0; n < 4800; ++n) {
    const double x = 2 * std::numbers::pi * 1234.5 * n / 96000;
    out.push_back(0.9 * std::cos(x));
    out.push_back(0.45 * std::sin(x));
  }
  return out;
}

void write_wav(const std::filesystem::path& path, int format, const std::vector<double>& pairs,
               int channels = 2) {
  SF_INFO info{};
  info.samplerate = 96000;
  info.channels = channels;
  info.format = format;
  SNDFILE* file = sf_open(path.c_str(), SFM_WRITE, &info);
  ASSERT_NE(file, nullptr) << sf_strerror(nullptr);
  sf_command(file, SFC_SET_CLIPPING, nullptr, SF_TRUE);
  const auto count = static_cast<sf_count_t>(pairs.size());
  ASSERT_EQ(sf_write_double(file, pairs.data(), count), count);
  ASSERT_EQ(sf_close(file), 0);
}

struct Kind {
  int format;
  const char* name;
  double step;  // of the stored numbers, full scale 1
  bool converter;
};

class WavKinds : public testing::TestWithParam<Kind> {};

TEST_P(WavKinds, SamplesComeBackWithinTheirStep) {
  const Folder folder;
  const auto pairs = tone();
  ASSERT_NO_FATAL_FAILURE(write_wav(folder / "a.wav", GetParam().format, pairs));
  const auto got = read_capture(folder / "a.wav", {.rate_hz = {}, .full_scale_v = 2.0});
  ASSERT_TRUE(got.has_value()) << describe(got.error());
  EXPECT_EQ(got->format, GetParam().name);
  EXPECT_EQ(got->rate_hz, 96000);
  EXPECT_TRUE(got->volts);
  ASSERT_EQ(got->channels.size(), 2U);
  ASSERT_EQ(got->samples(), pairs.size() / 2);
  EXPECT_EQ(got->channels[0].limits.has_value(), GetParam().converter);
  for (std::size_t k = 0; k < 2; ++k) {
    const auto read = volts(got->channels[k]);
    for (std::size_t n = 0; n < read.size(); ++n) {
      // libsndfile scales by 2^(bits-1) - 1 when it writes and by 2^(bits-1) when it reads.
      ASSERT_NEAR(read[n], 2 * pairs[2 * n + k], 2 * 1.5 * GetParam().step) << n;
    }
  }
}

TEST_P(WavKinds, FullScaleCountsAsClippedOnlyFromAConverter) {
  const Folder folder;
  std::vector<double> pairs = tone();
  for (double& each : pairs) each *= 1.5;
  ASSERT_NO_FATAL_FAILURE(write_wav(folder / "a.wav", GetParam().format, pairs));
  const auto got = read_capture(folder / "a.wav");
  ASSERT_TRUE(got.has_value()) << describe(got.error());
  EXPECT_FALSE(got->volts);
  const auto i = signal::extremes(got->channels[0]);
  const auto q = signal::extremes(got->channels[1]);
  EXPECT_EQ(i.at_highest_limit > 0, GetParam().converter);
  EXPECT_EQ(i.at_lowest_limit > 0, GetParam().converter);
  EXPECT_EQ(q.at_highest_limit + q.at_lowest_limit, 0U);
}

INSTANTIATE_TEST_SUITE_P(
    All, WavKinds,
    testing::Values(Kind{SF_FORMAT_WAV | SF_FORMAT_PCM_16, "WAV, 16 bits", 0x1p-15, true},
                    Kind{SF_FORMAT_WAV | SF_FORMAT_PCM_24, "WAV, 24 bits", 0x1p-23, true},
                    Kind{SF_FORMAT_WAVEX | SF_FORMAT_PCM_24, "WAV, 24 bits", 0x1p-23, true},
                    Kind{SF_FORMAT_WAV | SF_FORMAT_PCM_32, "WAV, 32 bits", 0x1p-31, true},
                    Kind{SF_FORMAT_WAV | SF_FORMAT_FLOAT, "WAV, 32 bits float", 0x1p-24, false}),
    [](const auto& each) { return "Kind" + std::to_string(each.index); });

TEST(Wav, ATruncatedFileIsRefused) {
  const Folder folder;
  ASSERT_NO_FATAL_FAILURE(write_wav(folder / "a.wav", SF_FORMAT_WAV | SF_FORMAT_PCM_16, tone()));
  std::filesystem::resize_file(folder / "a.wav",
                               std::filesystem::file_size(folder / "a.wav") - 1000);
  const auto got = read_capture(folder / "a.wav");
  ASSERT_FALSE(got.has_value());
  EXPECT_EQ(got.error().message,
            "the chunk \"data\" claims 19200 bytes, 18200 are left in the file");
}

// Chunks behind the samples are nobody's business here; a lie in one must not reach libsndfile.
TEST(Wav, WhatFollowsTheSamplesIsNotLookedAt) {
  const Folder folder;
  ASSERT_NO_FATAL_FAILURE(write_wav(folder / "a.wav", SF_FORMAT_WAV | SF_FORMAT_PCM_16, tone()));
  std::ofstream(folder / "a.wav", std::ios::binary | std::ios::app)
      << "LIST\xff\xff\xff\xffINFO" << std::string(64, '\xff');
  const auto got = read_capture(folder / "a.wav");
  ASSERT_TRUE(got.has_value()) << describe(got.error());
  EXPECT_EQ(got->samples(), tone().size() / 2);
}

TEST(Wav, OneChannelIsRefused) {
  const Folder folder;
  ASSERT_NO_FATAL_FAILURE(write_wav(folder / "a.wav", SF_FORMAT_WAV | SF_FORMAT_PCM_16, tone(), 1));
  const auto got = read_capture(folder / "a.wav");
  ASSERT_FALSE(got.has_value());
  EXPECT_EQ(got.error().message, "expected two channels (left I, right Q), found 1");
}

}  // namespace
}  // namespace nightbench::capture
