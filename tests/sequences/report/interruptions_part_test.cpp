#include <gmock/gmock.h>

#include "sample_runs.hpp"
#include "sequences/report/report_parts.hpp"

namespace nightbench::report {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

// Everything from point 20 on is an hour and a half later.
record::Run paused() {
  record::Run run = sample::healthy();
  for (std::size_t i = 20; i < run.points.size(); ++i) {
    run.points[i].started += from_seconds(5400);
    run.points[i].finished += from_seconds(5400);
  }
  return run;
}

TEST(InterruptionsPart, ARunWithoutAPauseSaysSo) {
  EXPECT_THAT(interruptions_part(sample::healthy()), HasSubstr("None: no pause"));
  EXPECT_THAT(interruptions_part(record::Run()), HasSubstr("None: no pause"));
}

TEST(InterruptionsPart, APauseIsToldWithItsLengthItsPointsAndWhatWasNotedMeanwhile) {
  record::Run run = paused();
  run.events.push_back({sample::at_second(60), record::Severity::trouble, "link-lost",
                        "the scope <did> not answer"});
  const std::string html = interruptions_part(run);
  EXPECT_THAT(html, HasSubstr("1 h 30 min"));
  EXPECT_THAT(html, HasSubstr("19 response and 20 response"));
  EXPECT_THAT(html, HasSubstr("the scope &lt;did&gt; not answer"));
  EXPECT_THAT(html, Not(HasSubstr("5 instruments answered")));  // noted before the pause
  EXPECT_THAT(html, Not(HasSubstr("None: no pause")));
}

TEST(InterruptionsPart, PointsMeasuredAgainAndAnEarlyEndAreSaid) {
  record::Run run = sample::faulty();
  run.outcome = record::Outcome::bench_failed;
  run.outcome_text = "the scope went silent";
  const std::string html = interruptions_part(run);
  EXPECT_THAT(html, HasSubstr("3 of 53 points"));
  EXPECT_THAT(html, HasSubstr("bench failed, the scope went silent"));
}

}  // namespace
}  // namespace nightbench::report
