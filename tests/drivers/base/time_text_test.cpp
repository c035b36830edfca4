#include "drivers/base/time_text.hpp"

#include <gtest/gtest.h>

namespace nightbench {
namespace {

WallTime at_ns(long long ns) { return WallTime(std::chrono::nanoseconds(ns)); }

TEST(ExactTime, GoesToTheNanosecondAndBack) {
  for (const long long ns : {0LL, -1LL, 1LL, 999'999'999LL, 1'795'575'845'123'456'789LL,
                             -9'000'000'000'000'000'000LL, 9'190'000'000'000'000'000LL}) {
    const auto back = time_from(exact_time(at_ns(ns)));
    ASSERT_TRUE(back) << exact_time(at_ns(ns));
    EXPECT_EQ(*back, at_ns(ns));
  }
  EXPECT_EQ(exact_time(at_ns(-1)), "1969-12-31T23:59:59.999999999Z");
  EXPECT_EQ(exact_time(at_ns(1'795'575'845'000'000'000)), "2026-11-25T03:04:05.000000000Z");
  EXPECT_EQ(*time_from("1970-01-01T00:00:01Z"), at_ns(1'000'000'000));
  EXPECT_EQ(*time_from("1970-01-01T00:00:00.5Z"), at_ns(500'000'000));
}

TEST(ExactTime, RefusesWhatIsNoTime) {
  for (const char* text :
       {"", "2026-11-25", "2026-11-25T03:04:05", "2026-11-25 03:04:05Z", "2026-02-30T00:00:00Z",
        "2026-11-25T24:00:00Z", "2026-11-25T03:04:60Z", "2026-11-25T03:04:05.Z",
        "2026-11-25T03:04:05.1234567890Z", "2026-11-25T03:04:05.12a4Z", "2026-11-25T03:04:05+00:00",
        "1600-01-01T00:00:00Z", "9999-01-01T00:00:00Z", "2026-1a-25T03:04:05Z"}) {
    EXPECT_FALSE(time_from(text)) << text;
  }
}

}  // namespace
}  // namespace nightbench
