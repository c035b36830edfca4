#include "sequences/report/svg_plot.hpp"

#include <gmock/gmock.h>

#include <cmath>
#include <limits>
#include <pugixml.hpp>
#include <random>
#include <sstream>

#include "sample_runs.hpp"
#include "sequences/report/curves.hpp"

namespace nightbench::report {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::Not;

std::size_t count(const std::string& text, const std::string& part) {
  std::size_t found = 0;
  for (std::size_t at = text.find(part); at != std::string::npos; at = text.find(part, at + 1))
    ++found;
  return found;
}

pugi::xml_document parsed(const std::string& text) {
  pugi::xml_document document;
  const auto outcome = document.load_buffer(text.data(), text.size());
  EXPECT_TRUE(outcome) << outcome.description() << " at " << text.substr(outcome.offset, 60);
  return document;
}

Plot plot_of(std::initializer_list<std::optional<double>> values) {
  Plot plot;
  plot.title = "Gain";
  plot.x = {"RF frequency", "Hz", {}, {}};
  plot.y = {"Gain", "dB", {}, {}};
  plot.id = "gain";
  Series& series = plot.series.emplace_back();
  series.name = "above LO";
  double x = 10e6;
  for (const auto& value : values) {
    PlotPoint& point = series.points.emplace_back();
    point.x = x;
    point.y = value;
    if (value) {
      point.low = *value - 0.5;
      point.high = *value + 0.5;
    } else {
      point.note = "clipped";
    }
    x += 1e3;
  }
  return plot;
}

TEST(RoundTicks, AreRoundAndInside) {
  EXPECT_THAT(round_ticks(0, 10, 5), ElementsAre(0, 2, 4, 6, 8, 10));
  EXPECT_THAT(round_ticks(-0.3, 1.1, 3), ElementsAre(0, 0.5, 1.0));
  EXPECT_THAT(round_ticks(3, 3, 5), ElementsAre(3));
  EXPECT_THAT(round_ticks(std::nan(""), 1, 5), ElementsAre());
  EXPECT_THAT(round_ticks(10, 0, 5), ElementsAre(0, 2, 4, 6, 8, 10));
  EXPECT_EQ(round_ticks(10.1, 10.15, 6).size(), 6U);
}

TEST(RoundTicks, StayNearTheWantedNumberForAnyRange) {
  std::mt19937_64 random(11);
  std::uniform_real_distribution<double> exponent(-12, 12);
  for (int i = 0; i < 2000; ++i) {
    const double least = std::pow(10, exponent(random)) * (i % 2 == 0 ? 1 : -1);
    const double most = least + std::pow(10, exponent(random));
    if (!(most - least > std::fabs(least) * 1e-9)) continue;
    const auto ticks = round_ticks(least, most, 6);
    EXPECT_GE(ticks.size(), 2U) << least << " " << most;
    EXPECT_LE(ticks.size(), 8U) << least << " " << most;
    EXPECT_TRUE(std::is_sorted(ticks.begin(), ticks.end()));
  }
}

TEST(SvgPlot, IsWellFormedAndNamed) {
  const auto document = parsed(svg_file(plot_of({1.0, 2.0, 3.0})));
  const auto svg = document.child("svg");
  EXPECT_STREQ(svg.attribute("xmlns").value(), "http://www.w3.org/2000/svg");
  EXPECT_STREQ(svg.attribute("aria-label").value(), "Gain");
  EXPECT_STREQ(svg.attribute("role").value(), "img");
}

TEST(SvgPlot, AGapBreaksTheCurveAndCarriesItsReason) {
  const std::string whole = svg_element(plot_of({1.0, 2.0, 3.0, 4.0}));
  const std::string broken = svg_element(plot_of({1.0, 2.0, std::nullopt, 3.0, 4.0}));
  EXPECT_EQ(count(whole, "<polyline class=\"nb-curve"), 1U);
  EXPECT_EQ(count(broken, "<polyline class=\"nb-curve"), 2U);
  EXPECT_EQ(count(broken, "<polygon class=\"nb-band"), 2U);
  EXPECT_THAT(broken, HasSubstr("<title>clipped</title>"));
  EXPECT_THAT(broken, HasSubstr("no reading"));
  EXPECT_THAT(whole, Not(HasSubstr("no reading")));
}

TEST(SvgPlot, NothingThatIsNoNumberIsDrawn) {
  Plot plot = plot_of({1.0, std::nan(""), std::numeric_limits<double>::infinity(), 2.0});
  plot.series[0].points[0].high = std::nan("");
  plot.limits.push_back({"limit", true, {{10e6, std::nan("")}, {std::nan(""), 1}, {10.001e6, 3}}});
  const std::string text = svg_element(plot);
  EXPECT_THAT(text, Not(::testing::ContainsRegex("nan|inf[^o]")));
  EXPECT_THAT(text, Not(HasSubstr("\"\"")));
  EXPECT_THAT(text, Not(HasSubstr(",,")));
}

TEST(SvgPlot, EmptyAndSinglePlotsAreDrawn) {
  parsed(svg_element(Plot()));
  parsed(svg_element(plot_of({5.0})));
  parsed(svg_element(plot_of({std::nullopt})));
  EXPECT_EQ(count(svg_element(plot_of({5.0})), "nb-bar"),
            1U);  // a lone point has a bar, not a band
}

TEST(SvgPlot, SeriesDifferInShapeAndDash) {
  Plot plot = plot_of({1.0, 2.0});
  plot.series.push_back(plot.series[0]);
  plot.series[1].name = "below LO";
  const std::string text = svg_element(plot);
  EXPECT_THAT(text, HasSubstr("<circle"));
  EXPECT_THAT(text, HasSubstr("nb-mark nb-s1\"><polygon"));
  EXPECT_THAT(plot_style(), HasSubstr(".nb-curve.nb-s1 { stroke-dasharray"));
  EXPECT_THAT(text, HasSubstr(">below LO</text>"));
}

TEST(SvgPlot, EscapesEveryText) {
  Plot plot = plot_of({1.0, 2.0, std::nullopt});
  const std::string bad = sample::hostile();
  plot.title = plot.description = plot.x.title = plot.y.title = plot.x.unit = plot.y.unit = bad;
  plot.series[0].name = bad;
  plot.series.push_back(plot.series[0]);
  plot.series[0].points[0].note = plot.series[0].points[2].note = bad;
  plot.limits.push_back({bad, true, {{10e6, 1}}});
  plot.id = bad;
  for (const std::string& text : {svg_element(plot), svg_file(plot)}) {
    parsed(text);
    EXPECT_THAT(text, Not(HasSubstr("<script")));
    EXPECT_THAT(text, Not(HasSubstr("\x1b")));
  }
}

TEST(SvgPlot, AMillionSamplesDrawInAFewThousandPoints) {
  Plot plot;
  Series& series = plot.series.emplace_back();
  series.markers = false;
  for (int i = 0; i < 1'000'000; ++i) {
    PlotPoint& point = series.points.emplace_back();
    point.x = i * 1e-6;
    point.y = i == 500'003 ? 9.0 : std::sin(i * 0.01);
  }
  const std::string text = svg_element(plot);
  EXPECT_LT(text.size(), 40'000U);
  // The single spike is still there. Range -1 to 9 and 7 % of it on both sides, over 296 units that
  // end at 310: 310 - (9 + 1.7) / 11.4 * 296.
  EXPECT_THAT(text, HasSubstr(",32.18"));
}

TEST(SvgPlot, LimitsAreHatchedOnTheForbiddenSide) {
  Plot plot = plot_of({1.0, 2.0});
  plot.limits.push_back({"most", true, {{10e6, 5}, {10.001e6, 5}}});
  plot.limits.push_back({"least", false, {{10e6, -5}, {10.001e6, -5}}});
  const auto document = parsed(svg_element(plot));
  std::vector<std::string> ends;
  for (const auto& node : document.select_nodes("//polygon[@class='nb-forbidden']")) {
    const std::string points = node.node().attribute("points").value();
    ends.push_back(points.substr(points.rfind(',') + 1));
  }
  EXPECT_THAT(ends, ElementsAre("12", "312"));  // above the frame, below the frame
}

TEST(SvgPlot, EqualScalesKeepACircleRound) {
  Plot plot;
  plot.equal_scales = true;
  plot.width = 500;
  plot.height = 300;
  plot.series.emplace_back().markers = false;
  for (const auto& [x, y] : {std::pair{-1.0, 0.0}, std::pair{0.0, 1.0}, std::pair{1.0, 0.0}}) {
    PlotPoint& point = plot.series[0].points.emplace_back();
    point.x = x;
    point.y = y;
  }
  const auto document = parsed(svg_element(plot));
  const std::string points = document.select_node("//polyline").node().attribute("points").value();
  double x[3];
  double y[3];
  char comma = ' ';
  std::istringstream stream(points);
  for (int i = 0; i < 3; ++i) stream >> x[i] >> comma >> y[i];
  EXPECT_NEAR(x[1] - x[0], y[0] - y[1], 0.02);
}

TEST(ResponseCurves, OneSeriesForEachSideWhateverTheRoundingOfTheOffset) {
  const record::Run run = sample::faulty();
  const auto plots = response_curves(run, summarise(run));
  ASSERT_EQ(plots.size(), 5U);
  EXPECT_EQ(plots[0].title, "Conversion gain");
  ASSERT_EQ(plots[0].series.size(), 2U);
  EXPECT_EQ(plots[0].series[0].name, "5 kHz above LO");
  EXPECT_EQ(plots[0].series[1].name, "5 kHz below LO");
  EXPECT_EQ(plots[0].series[0].points.size(), 26U);
  EXPECT_EQ(plots[0].limits.size(), 2U);
  EXPECT_EQ(plots[0].x.unit, "Hz");
}

TEST(ResponseCurves, FollowTheCoordinateThatVaries) {
  record::Run run;
  for (int i = 0; i < 5; ++i) {
    record::Point& point = run.points.emplace_back();
    point.at = {{"rf_hz", 10e6}, {"level_dbm", -60.0 + 5 * i}};
    point.readings.push_back(sample::reading("conversion_gain", "Gain", "dB", 12, 0.1, {}, {}));
  }
  const auto plots = response_curves(run, summarise(run));
  ASSERT_EQ(plots.size(), 1U);
  EXPECT_EQ(plots[0].x.title, "RF level");
  run.points.resize(1);
  EXPECT_TRUE(response_curves(run, summarise(run)).empty());
}

TEST(Traces, HoldBothOutputsAndLeaveNaNOut) {
  record::TraceExcerpt excerpt = sample::excerpt(0.05, 0, 0, 5e3);
  excerpt.i_v[3] = std::nanf("");
  const Plot time = time_trace(excerpt, "t");
  ASSERT_EQ(time.series.size(), 2U);
  EXPECT_FALSE(time.series[0].points[3].y);
  EXPECT_DOUBLE_EQ(time.series[1].points[799].x, 799e-6);
  EXPECT_EQ(i_against_q(excerpt, "c").series[0].points.size(), 799U);
  EXPECT_EQ(time_trace(excerpt, "t", 100).series[0].points.size(), 100U);
}

}  // namespace
}  // namespace nightbench::report
