#include <gmock/gmock.h>

#include "sample_runs.hpp"
#include "sequences/report/report_parts.hpp"

namespace nightbench::report {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

// A night on two places: the gain of the first falls by 0.1 dB an hour, that of the second stays.
record::Run night(int hours, double u_db) {
  record::Run run = sample::healthy();
  run.points.clear();
  for (int hour = 0; hour < hours; ++hour) {
    for (const double rf_hz : {10.1e6, 10.14e6}) {
      record::Point& point = run.points.emplace_back();
      point.ordinal = run.points.size() - 1;
      point.label = "watch";
      point.at = {{"rf_hz", rf_hz}, {"offset_hz", 5e3}, {"repeat", hour}};
      point.started = sample::at_second(3600.0 * hour);
      point.finished = point.started;
      const double gain_db = 12 - (rf_hz < 10.12e6 ? 0.1 * hour : 0.001 * hour);
      point.readings.push_back(
          sample::reading("conversion_gain", "Conversion gain", "dB", gain_db, u_db, 9, 15));
    }
  }
  return run;
}

TEST(DriftPart, NamesThePlaceThatMovedMostAndByHowMuch) {
  const std::string html = drift_part(night(9, 0.05));
  EXPECT_THAT(html, HasSubstr("10.1\u00a0MHz"));
  EXPECT_THAT(html, HasSubstr("<td class=\"n\">11.200</td><td class=\"n\">12.000</td><td "
                              "class=\"n\">0.800</td><td class=\"n\">0.050</td>"));
  EXPECT_THAT(html, HasSubstr("moved by more than U"));
  EXPECT_THAT(html, HasSubstr("Time since the start in h"));
}

TEST(DriftPart, WhatStaysWithinUIsNotCalledADrift) {
  const std::string html = drift_part(night(9, 1.5));
  EXPECT_THAT(html, HasSubstr("within U: no drift is seen"));
  EXPECT_THAT(html, Not(HasSubstr("moved by more than U")));
}

TEST(DriftPart, IsLeftOutWhereNothingWasMeasuredAgain) {
  EXPECT_EQ(drift_part(sample::healthy()), "");
  EXPECT_EQ(drift_part(night(2, 0.05)), "");
  EXPECT_EQ(drift_part(record::Run()), "");
}

TEST(DriftPart, AMissingReadingIsAGap) {
  record::Run run = night(5, 0.05);
  record::Reading& lost = run.points[4].readings[0];
  lost.value.reset();
  lost.reason = "clipped";
  lost.decision = record::Decision::no_reading;
  const std::string html = drift_part(run);
  EXPECT_THAT(html, HasSubstr("nb-gap"));
  EXPECT_THAT(html, HasSubstr("<td class=\"n\">11.600</td><td class=\"n\">12.000</td>"));
}

}  // namespace
}  // namespace nightbench::report
