#include <gmock/gmock.h>

#include "sample_runs.hpp"
#include "sequences/report/report_parts.hpp"

namespace nightbench::report {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

record::Run with_budgets() {
  record::Run run = sample::healthy();
  // u of 0.3 and 0.1 dB: 90 % and 10 % of the variance.
  run.points[1].readings[1].budget = {{"noise", 'A', 0.1}, {"source level", 'B', 0.3}};
  run.points[2].readings[1].budget = {{"noise", 'A', 0.01}, {"source level", 'B', 0.1}};
  return run;
}

TEST(BudgetPart, ShowsTheBudgetWithTheLargestUAndSharesOfTheVariance) {
  const std::string html = budget_part(with_budgets());
  EXPECT_THAT(html, HasSubstr("Conversion gain"));
  EXPECT_THAT(html, HasSubstr("90 %"));
  EXPECT_THAT(html, HasSubstr("10 %"));
  EXPECT_THAT(html, Not(HasSubstr("99 %")));
  EXPECT_LT(html.find("source level"), html.find("noise"));
}

TEST(BudgetPart, IsAPartOfTheReportOnlyWhereBudgetsWereKept) {
  EXPECT_EQ(budget_part(sample::healthy()), "");
  EXPECT_THAT(response_report_html(sample::healthy()), Not(HasSubstr("How each U came about")));
  EXPECT_THAT(response_report_html(with_budgets()), HasSubstr("id=\"budget\""));
}

TEST(BudgetPart, EscapesNamesAndSaysWhenAContributionHasNoLimit) {
  record::Run run = sample::healthy();
  run.points[1].readings[1].budget = {
      {"<b>", 'B', std::numeric_limits<double>::infinity()}};
  const std::string html = budget_part(run);
  EXPECT_THAT(html, HasSubstr("&lt;b&gt;"));
  EXPECT_THAT(html, HasSubstr("not limited"));
}

}  // namespace
}  // namespace nightbench::report
