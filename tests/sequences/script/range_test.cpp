#include "sequences/script/range.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <cstdlib>
#include <random>

#include "script_helpers.hpp"

namespace nightbench::script {
namespace {

using testing::must;
using testing::node;
using testing::text_of;

std::vector<double> values(const std::string& members, const std::string& axis = "rf") {
  return must(decode_range(node(R"({"axis": ")" + axis + "\", " + members + "}"))).values;
}

TEST(Range, KnowsTheThreeAxes) {
  EXPECT_EQ(must(decode_range(node(R"({"axis": "rf", "list": [1]})"))).axis, Axis::rf);
  EXPECT_EQ(must(decode_range(node(R"({"axis": "offset", "list": [1]})"))).axis, Axis::offset);
  EXPECT_EQ(must(decode_range(node(R"({"axis": "level", "list": [1]})"))).axis, Axis::level);
  EXPECT_STREQ(word(Axis::rf), "rf");
  EXPECT_STREQ(word(Axis::offset), "offset");
  EXPECT_STREQ(word(Axis::level), "level");
}

TEST(Range, AListKeepsItsOrderAndItsRepeats) {
  EXPECT_EQ(values(R"("list": ["10.15 MHz", 10.1e6, "10.12 MHz", 10.1e6])"),
            (std::vector<double>{10.15e6, 10.1e6, 10.12e6, 10.1e6}));
}

TEST(Range, LinearPointsHoldBothEndsExactly) {
  const auto v = values(R"("from": "10.1 MHz", "to": "10.15 MHz", "points": 26)");
  ASSERT_EQ(v.size(), 26U);
  EXPECT_EQ(v.front(), 10.1e6);
  EXPECT_EQ(v.back(), 10.15e6);
  for (std::size_t i = 0; i < v.size(); ++i) {
    EXPECT_NEAR(v[i], 10.1e6 + 2e3 * static_cast<double>(i), 1e-8);
  }
}

TEST(Range, LogarithmicPointsHoldBothEndsAndAConstantRatio) {
  const auto v = values(R"("from": "1 kHz", "to": "1 MHz", "points": 4, "spacing": "log")");
  ASSERT_EQ(v.size(), 4U);
  EXPECT_EQ(v.front(), 1e3);
  EXPECT_EQ(v.back(), 1e6);
  EXPECT_NEAR(v[1], 1e4, 1e-8);
  EXPECT_NEAR(v[2], 1e5, 1e-7);
}

TEST(Range, OnePointIsBothEnds) {
  EXPECT_EQ(values(R"("from": 5, "to": 5, "points": 1)"), std::vector<double>{5});
}

TEST(Range, PointsMayDescend) {
  EXPECT_EQ(values(R"("from": 30, "to": 10, "points": 3)"), (std::vector<double>{30, 20, 10}));
}

TEST(Range, StepsThatFitEndExactlyOnTheEnd) {
  EXPECT_EQ(values(R"("from": 10, "to": 30, "step": 10)"), (std::vector<double>{10, 20, 30}));
  EXPECT_EQ(values(R"("from": 30, "to": 10, "step": -10)"), (std::vector<double>{30, 20, 10}));
  const auto tenths = values(R"("from": "-50 dBm", "to": "-49.3 dBm", "step": "0.1 dBm")", "level");
  ASSERT_EQ(tenths.size(), 8U) << "0.1 is no binary fraction: no eighth step by rounding";
  EXPECT_EQ(tenths.back(), -49.3);
}

TEST(Range, StepsThatDoNotFitAddTheEnd) {
  EXPECT_EQ(values(R"("from": 10, "to": 35, "step": 10)"), (std::vector<double>{10, 20, 30, 35}));
  EXPECT_EQ(values(R"("from": 10, "to": 12, "step": 10)"), (std::vector<double>{10, 12}));
}

TEST(Range, AMillionValuesIsTheMost) {
  EXPECT_EQ(values(R"("from": 1, "to": 1000000, "step": 1)").size(), 1'000'000U);
  EXPECT_EQ(text_of(decode_range(node(R"({"axis": "rf", "from": 1, "to": 1000001, "step": 1})"))),
            "test.json: at /step: more than a million values");
  EXPECT_EQ(text_of(decode_range(node(R"({"axis": "rf", "from": 1, "to": 1000000.5, "step": 1})"))),
            "test.json: at /step: more than a million values");
}

// Whatever the numbers: both ends are in, in order, and no gap is wider than the step.
TEST(Range, RandomRangesKeepTheirPromises) {
  const char* wanted = std::getenv("NIGHTBENCH_TEST_SEED");
  const auto seed = wanted != nullptr ? static_cast<unsigned>(std::strtoul(wanted, nullptr, 10))
                                      : std::random_device()();
  SCOPED_TRACE("NIGHTBENCH_TEST_SEED=" + std::to_string(seed));
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> frequency(1e3, 1e8);
  std::uniform_int_distribution<int> pieces(1, 300);
  for (int i = 0; i < 2000; ++i) {
    const double from = frequency(random);
    const double to = frequency(random);
    const int count = pieces(random) + 1;
    const double step =
        (to - from) / (pieces(random) + std::generate_canonical<double, 20>(random));
    const std::string ends = "\"from\": " + shortest(from) + ", \"to\": " + shortest(to);
    const auto by_points = values(ends + ", \"points\": " + std::to_string(count));
    ASSERT_EQ(by_points.size(), static_cast<std::size_t>(count));
    const auto by_step = values(ends + ", \"step\": " + shortest(step));
    for (const auto& v : {by_points, by_step}) {
      ASSERT_EQ(v.front(), from);
      ASSERT_EQ(v.back(), to);
      for (std::size_t k = 1; k < v.size(); ++k) {
        ASSERT_EQ(v[k] > v[k - 1], to > from) << ends;
      }
    }
    for (std::size_t k = 1; k < by_step.size(); ++k) {
      ASSERT_LE(std::fabs(by_step[k] - by_step[k - 1]), std::fabs(step) * (1 + 1e-5)) << ends;
    }
  }
}

}  // namespace
}  // namespace nightbench::script
