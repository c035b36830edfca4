#include "sequences/capture/csv.hpp"

#include <gtest/gtest.h>

#include "support.hpp"

namespace nightbench::capture {
namespace {

using test::volts;

Capture parsed(const std::string& text, std::optional<double> rate_hz = {}) {
  auto got = parse_csv(text, "a.csv", {.rate_hz = rate_hz, .full_scale_v = {}});
  EXPECT_TRUE(got.has_value()) << (got ? "" : describe(got.error()));
  return got ? *got : Capture{};
}

void expect_samples(const Capture& got, const std::vector<double>& i,
                    const std::vector<double>& q) {
  ASSERT_EQ(got.channels.size(), 2U);
  EXPECT_EQ(volts(got.channels[0]), i);
  EXPECT_EQ(volts(got.channels[1]), q);
}

TEST(Csv, TwoColumnsNeedTheRateFromOutside) {
  const Capture got = parsed("1,2\n3,4\n-5e-1,+6\n", 48000);
  expect_samples(got, {1, 3, -0.5}, {2, 4, 6});
  EXPECT_EQ(got.rate_hz, 48000);
  EXPECT_TRUE(got.volts);
}

TEST(Csv, TheThirdColumnIsTheTime) {
  const Capture got = parsed("1,2,0.5\n3,4,0.501\n5,6,0.502\n");
  expect_samples(got, {1, 3, 5}, {2, 4, 6});
  EXPECT_NEAR(got.rate_hz, 1000, 1e-9);
}

TEST(Csv, NamesInAnyOrderWithUnits) {
  const Capture got = parsed("time (us), Q [mV] ,I\n0,2500,1\n10,3500,-1\n20,0,0\n");
  expect_samples(got, {1, -1, 0}, {2.5, 3.5, 0});
  EXPECT_NEAR(got.rate_hz, 100e3, 1e-6);
}

TEST(Csv, ALineOfUnits) {
  const Capture got = parsed("t,I,Q\nms,mV,V\n1,1500,2\n2,500,3\n");
  expect_samples(got, {1.5, 0.5}, {2, 3});
  EXPECT_NEAR(got.rate_hz, 1000, 1e-9);
}

TEST(Csv, SemicolonsBringTheDecimalComma) {
  const Capture got = parsed("I;Q\r\n1,5;-2,25\r\n0,5;1e-3\r\n", 10);
  expect_samples(got, {1.5, 0.5}, {-2.25, 0.001});
}

TEST(Csv, TabsRemarksBlankLinesQuotesAndAByteOrderMark) {
  const Capture got =
      parsed("\xEF\xBB\xBF# board 7\n\n\"I\"\t\"Q\"\n 1 \t2\n\n# half time\n3\t\"4\"\t\n5\t6", 10);
  expect_samples(got, {1, 3, 5}, {2, 4, 6});
}

TEST(Csv, TimesPrintedWithFewDigitsStillGiveTheRate) {
  std::string text = "I,Q,time\n";
  for (int n = 0; n < 1000; ++n) {
    text += "1,2," + std::to_string(n * 3.3e-5) + "\n";  // six decimals: steps of 33 us in 1 us
  }
  EXPECT_NEAR(parsed(text).rate_hz, 1 / 3.3e-5, 2.0);
}

TEST(Csv, OneLostSampleAnywhereIsSeen) {
  for (int lost = 1; lost < 49; ++lost) {
    std::string text;
    for (int n = 0; n < 50; ++n) {
      if (n != lost) text += "1,2," + std::to_string(n) + "\n";
    }
    EXPECT_FALSE(parse_csv(text, "a.csv").has_value()) << lost;
  }
}

TEST(Csv, ARateThatDisagreesWithTheTimesIsRefused) {
  const auto got = parse_csv("1,2,0\n3,4,0.001\n", "a.csv", {.rate_hz = 500.0, .full_scale_v = {}});
  ASSERT_FALSE(got.has_value());
  EXPECT_EQ(got.error().message, "the file states a sample rate of 1 kHz, 500 Hz was given");
  EXPECT_EQ(got.error().file, "a.csv");
}

}  // namespace
}  // namespace nightbench::capture
