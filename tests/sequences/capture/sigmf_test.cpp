#include "sequences/capture/sigmf.hpp"

#include <gtest/gtest.h>

#include <chrono>
#include <cstring>
#include <random>

#include "support.hpp"
#include "tests/support/places.hpp"

namespace nightbench::capture {
namespace {

using test::Folder;
using test::volts;

std::string meta(const std::string& datatype, const std::string& more = "",
                 const std::string& segment = R"({"core:sample_start": 0})") {
  return R"({"global": {"core:datatype": ")" + datatype +
         R"(", "core:version": "1.2.0", "core:sample_rate": 250000)" + more +
         R"(}, "captures": [)" + segment + R"(], "annotations": []})";
}

template <typename T>
std::string bytes_of(const std::vector<T>& values) {
  std::string out(values.size() * sizeof(T), '\0');
  std::memcpy(out.data(), values.data(), out.size());
  return out;
}

template <typename T>
Capture stored(const std::string& datatype, const std::vector<T>& values,
               const std::string& more = "", const ReadOptions& options = {}) {
  const Folder folder;
  test::spit(folder / "a.sigmf-meta", meta(datatype, more));
  test::spit(folder / "a.sigmf-data", bytes_of(values));
  auto got = read_capture(folder / "a.sigmf-meta", options);
  EXPECT_TRUE(got.has_value()) << (got ? "" : describe(got.error()));
  return got ? *got : Capture{};
}

TEST(SigmfReader, FindsTheRecordingByEitherFileAndByTheStem) {
  const std::filesystem::path data =
      std::filesystem::path(NIGHTBENCH_SOURCE_DIR) / "tests/data/circuit_simulation";
  for (const char* name :
       {"tp_healthy.pin14.sigmf-meta", "tp_healthy.pin14.sigmf-data", "tp_healthy.pin14"}) {
    const auto got = read_capture(data / name);
    ASSERT_TRUE(got.has_value()) << describe(got.error());
    EXPECT_EQ(got->channels.size(), 1U);
    EXPECT_EQ(got->samples(), 10000U);
    EXPECT_EQ(got->rate_hz, 500e6);
    EXPECT_TRUE(got->hash_checked);
  }
}

TEST(SigmfReader, ComplexFloatsAreIThenQInVolts) {
  const Capture got = stored<float>("cf32_le", {1, 2, 3, 4, 5, 6});
  ASSERT_EQ(got.channels.size(), 2U);
  EXPECT_EQ(volts(got.channels[0]), (std::vector<double>{1, 3, 5}));
  EXPECT_EQ(volts(got.channels[1]), (std::vector<double>{2, 4, 6}));
  EXPECT_EQ(got.rate_hz, 250000);
  EXPECT_EQ(got.channels[1].dt_s, 4e-6);
  EXPECT_FALSE(got.channels[0].limits.has_value());
  EXPECT_TRUE(got.volts);
  EXPECT_FALSE(got.hash_checked);
  EXPECT_FALSE(got.centre_hz.has_value());
}

TEST(SigmfReader, RealChannelsAreInterleaved) {
  const Capture got = stored<double>("rf64_le", {1, 2, 3, 4, 5, 6}, R"(, "core:num_channels": 3)");
  ASSERT_EQ(got.channels.size(), 3U);
  EXPECT_EQ(volts(got.channels[2]), (std::vector<double>{3, 6}));
}

TEST(SigmfReader, IntegersAreCodesOfAConverterWithItsEnds) {
  const Capture sixteen = stored<std::int16_t>("ci16_le", {-32768, 0, 16384, 32767});
  ASSERT_EQ(sixteen.channels.size(), 2U);
  EXPECT_EQ(volts(sixteen.channels[0]), (std::vector<double>{-1, 0.5}));
  EXPECT_FALSE(sixteen.volts);
  ASSERT_TRUE(sixteen.channels[0].limits.has_value());
  EXPECT_EQ(signal::extremes(sixteen.channels[0]).at_lowest_limit, 1U);
  EXPECT_EQ(signal::extremes(sixteen.channels[1]).at_highest_limit, 1U);

  const Capture eight = stored<std::int8_t>("ci8", {-128, 64, 127, -64}, "", {{}, 2.0});
  EXPECT_EQ(volts(eight.channels[0]), (std::vector<double>{-2, 2 * 127 / 128.0}));
  EXPECT_TRUE(eight.volts);
  EXPECT_EQ(signal::extremes(eight.channels[0]).at_lowest_limit, 1U);
  EXPECT_EQ(signal::extremes(eight.channels[0]).at_highest_limit, 1U);

  const Capture offset = stored<std::uint8_t>("cu8", {0, 128, 255, 192});
  EXPECT_EQ(volts(offset.channels[0]), (std::vector<double>{-1, 127 / 128.0}));
  EXPECT_EQ(volts(offset.channels[1]), (std::vector<double>{0, 0.5}));
}

TEST(SigmfReader, TakesWhatTheSegmentSays) {
  const Folder folder;
  test::spit(folder / "a.sigmf-meta",
             meta("cf32_le", R"(, "core:description": "late \u00b5", "core:offset": 100)",
                  R"({"core:sample_start": 101, "core:frequency": 10.12e6,
                      "core:datetime": "2026-11-25T03:04:05.123Z", "other:thing": {}})"));
  test::spit(folder / "a.sigmf-data", bytes_of<float>({1, 2, 3, 4, 5, 6}));
  const auto got = read_capture(folder / "a");
  ASSERT_TRUE(got.has_value()) << describe(got.error());
  EXPECT_EQ(volts(got->channels[0]), (std::vector<double>{3, 5}));  // from sample 101 on
  EXPECT_EQ(got->centre_hz, 10.12e6);
  EXPECT_EQ(got->datetime, "2026-11-25T03:04:05.123Z");
  EXPECT_EQ(got->description, "late \u00b5");
}

TEST(SigmfReader, RateFromOutsideOnlyWhereTheFileHasNone) {
  const Folder folder;
  test::spit(folder / "a.sigmf-meta",
             R"({"global": {"core:datatype": "cf32_le", "core:version": "1.0.0"},
                 "captures": [], "annotations": []})");
  test::spit(folder / "a.sigmf-data", bytes_of<float>({1, 2, 3, 4}));
  const auto got = read_capture(folder / "a", {.rate_hz = 8000.0, .full_scale_v = {}});
  ASSERT_TRUE(got.has_value()) << describe(got.error());
  EXPECT_EQ(got->rate_hz, 8000);
  test::spit(folder / "a.sigmf-meta", meta("cf32_le"));
  const auto other = read_capture(folder / "a", {.rate_hz = 8000.0, .full_scale_v = {}});
  ASSERT_FALSE(other.has_value());
  EXPECT_EQ(other.error().message, "the file states a sample rate of 250 kHz, 8 kHz was given");
}

TEST(SigmfWriter, TwoRealChannelsComeBackAsTheyWere) {
  const unsigned seed = 20261125;
  SCOPED_TRACE(seed);
  std::mt19937 random(seed);
  std::normal_distribution<float> normal;
  std::vector<float> i(10001), q(10001);
  for (std::size_t n = 0; n < i.size(); ++n) i[n] = normal(random), q[n] = normal(random);
  const Folder folder;
  SigmfContent content;
  content.channels = {signal::trace_of(std::span<const float>(i), 1e-6),
                      signal::trace_of(std::span<const float>(q), 1e-6)};
  content.description = "Heron-30 \"7\"";
  content.recorder = "Nightbench";
  content.centre_hz = 10.12e6;
  content.started = WallTime(std::chrono::milliseconds(1'790'000'000'123));
  const auto written = write_sigmf(folder / "board.7", content);
  ASSERT_TRUE(written.has_value()) << describe(written.error());
  EXPECT_EQ(*written, folder / "board.7.sigmf-meta");
  const auto got = read_capture(*written);
  ASSERT_TRUE(got.has_value()) << describe(got.error());
  EXPECT_EQ(got->format, "SigMF rf32_le");
  EXPECT_EQ(got->rate_hz, 1e6);  // exactly, although dt is not
  EXPECT_EQ(got->centre_hz, 10.12e6);
  EXPECT_EQ(got->datetime, iso8601(*content.started));
  EXPECT_EQ(got->description, content.description);
  EXPECT_TRUE(got->hash_checked);
  ASSERT_EQ(got->channels.size(), 2U);
  EXPECT_EQ(volts(got->channels[0]), std::vector<double>(i.begin(), i.end()));
  EXPECT_EQ(volts(got->channels[1]), std::vector<double>(q.begin(), q.end()));
  // Nothing else is left in the folder.
  EXPECT_EQ(std::distance(std::filesystem::directory_iterator(folder.path()), {}), 2);
}

TEST(SigmfWriter, ComplexIsTheSameBytesUnderAnotherName) {
  const std::vector<std::int16_t> codes{100, -200, 300, -400, 500, -600};
  const Folder folder;
  SigmfContent content;
  content.complex = true;
  for (std::size_t k = 0; k < 2; ++k) {
    content.channels.push_back(
        signal::trace_of(std::span<const std::int16_t>(codes), 1.0 / 48000, 0.0, 2, k));
    content.channels.back().volts_per_code = 0.01;
    content.channels.back().offset_v = 2.5;
  }
  ASSERT_TRUE(write_sigmf(folder / "a.sigmf-data", content).has_value());
  const auto got = read_capture(folder / "a");
  ASSERT_TRUE(got.has_value()) << describe(got.error());
  EXPECT_EQ(got->format, "SigMF cf32_le");
  EXPECT_EQ(got->rate_hz, 48000);
  EXPECT_EQ(volts(got->channels[0]), (std::vector<double>{3.5, 5.5, 7.5}));
  EXPECT_EQ(volts(got->channels[1]), (std::vector<double>{0.5, -1.5, -3.5}));
}

// 1 / (1 / r) is not r for these.
TEST(SigmfWriter, RatesComeBackExactly) {
  const Folder folder;
  const std::vector<double> good{1, 2, 3};
  for (const double rate_hz : {7e3, 400e3, 800e3, 125e6, 500e6, 1e9}) {
    SigmfContent content;
    content.channels = {signal::trace_of(std::span<const double>(good), 1 / rate_hz)};
    ASSERT_TRUE(write_sigmf(folder / "a", content).has_value());
    const auto got = read_capture(folder / "a");
    ASSERT_TRUE(got.has_value()) << describe(got.error());
    EXPECT_EQ(got->rate_hz, rate_hz);
  }
}

// The hash of "abc": FIPS 180-4 example, by way of NIST's published examples of SHA-512.
TEST(SigmfReader, HashIsSha512) {
  const Folder folder;
  const std::string abc =
      "ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a"
      "2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f";
  test::spit(folder / "a.sigmf-meta", meta("ri8", ", \"core:sha512\": \"" + abc + "\""));
  test::spit(folder / "a.sigmf-data", "abc");
  const auto got = read_capture(folder / "a");
  ASSERT_TRUE(got.has_value()) << describe(got.error());
  EXPECT_TRUE(got->hash_checked);
  std::string other = abc;
  other.back() = 'e';
  test::spit(folder / "a.sigmf-meta", meta("ri8", ", \"core:sha512\": \"" + other + "\""));
  EXPECT_FALSE(read_capture(folder / "a").has_value());
}

TEST(SigmfWriter, RefusesWhatCannotBeRead) {
  const Folder folder;
  const std::vector<double> good{1, 2, 3};
  const std::vector<double> bad{1, std::nan(""), 3};
  const std::vector<double> large{1, 2, 1e300};  // no float32
  const auto error = [&](const std::vector<std::span<const double>>& channels, bool complex,
                         double dt_s) {
    SigmfContent content;
    content.complex = complex;
    for (const auto& each : channels) content.channels.push_back(signal::trace_of(each, dt_s));
    const auto got = write_sigmf(folder / "a", content);
    return got ? std::string("written") : got.error().message;
  };
  EXPECT_EQ(error({}, false, 1), "expected 1 to 64 channels, found 0");
  EXPECT_EQ(error({good}, true, 1), "expected two channels for complex samples, found 1");
  EXPECT_EQ(error({good, std::span(good).first(2)}, false, 1),
            "expected channels of one length and one sample rate");
  EXPECT_EQ(error({good, bad}, false, 1), "sample 1 of channel 2 is no finite number");
  EXPECT_EQ(error({large}, false, 1), "sample 2 of channel 1 is no finite number");
  EXPECT_EQ(error({good}, false, 0), "expected a sample rate above 0 and at most 1e12 Hz");
  EXPECT_EQ(error({std::span(good).first(1)}, false, 1), "expected at least 2 samples a channel");
  EXPECT_TRUE(std::filesystem::is_empty(folder.path()));
}

TEST(SigmfWriter, AFolderThatIsMissingIsAStorageError) {
  const Folder folder;
  const std::vector<double> good{1, 2, 3};
  SigmfContent content;
  content.channels = {signal::trace_of(std::span<const double>(good), 1.0)};
  const auto got = write_sigmf(folder / "none/a", content);
  ASSERT_FALSE(got.has_value());
  EXPECT_EQ(got.error().kind, ErrorKind::storage);
  EXPECT_EQ(got.error().number, ENOENT);
}

TEST(SigmfWriter, TextThatIsNoUtf8StillMakesJson) {
  const Folder folder;
  const std::vector<double> good{1, 2, 3};
  SigmfContent content;
  content.channels = {signal::trace_of(std::span<const double>(good), 1.0)};
  content.description = "gain \xb5V";
  ASSERT_TRUE(write_sigmf(folder / "a", content).has_value());
  const auto got = read_capture(folder / "a");
  ASSERT_TRUE(got.has_value()) << describe(got.error());
  EXPECT_EQ(got->description, "gain \uFFFDV");
}

TEST(Capture, CopiesOutliveTheOriginal) {
  auto first = std::make_unique<Capture>(stored<float>("cf32_le", {1, 2, 3, 4}));
  const Capture copy = *first;
  first.reset();
  EXPECT_EQ(volts(copy.channels[1]), (std::vector<double>{2, 4}));
}

}  // namespace
}  // namespace nightbench::capture
