#include "sequences/report/response_report.hpp"

#include <gmock/gmock.h>

#include <array>
#include <cctype>
#include <cmath>
#include <locale>
#include <pugixml.hpp>
#include <regex>
#include <set>

#include "sample_runs.hpp"
#include "sequences/report/hover.hpp"
#include "sequences/report/markup.hpp"
#include "sequences/report/report_parts.hpp"

namespace nightbench::report {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

// The report is written so that it is XML too; an XML parser finds what an HTML one would forgive.
pugi::xml_document parsed(const std::string& html) {
  pugi::xml_document document;
  const auto outcome =
      document.load_buffer(html.data(), html.size(), pugi::parse_default | pugi::parse_doctype);
  EXPECT_TRUE(outcome) << outcome.description() << ": "
                       << html.substr(static_cast<std::size_t>(outcome.offset), 80);
  return document;
}

// Text of an element and all below it.
std::string text_of(const pugi::xml_node& node) {
  std::string out;
  for (const auto& found : node.select_nodes(".//text()"))
    out += std::string(found.node().value()) + " ";
  return out;
}

std::string visible(const std::string& html) {
  const auto document = parsed(html);
  return text_of(document.select_node("//body").node());
}

record::Run hostile_run() {
  record::Run run = sample::faulty();
  const std::string bad = sample::hostile();
  record::Header& header = run.header;
  header.run_id = header.board = header.board_type = header.board_type_title = header.script = bad;
  header.script_file = header.script_sha256 = header.bench = header.bench_kind = header.person =
      bad;
  header.program_version = run.outcome_text = bad;
  header.parameters = {{bad, bad}};
  header.board_type_text = R"({"cautions": ["</li><script>alert(2)</script>"]})";
  for (record::Instrument& each : header.instruments) {
    each = {bad, bad, bad, bad, bad, bad, bad};
  }
  for (record::Point& point : run.points) {
    point.label = bad;
    point.notes = {bad};
    point.at[bad] = static_cast<double>(point.ordinal % 3);
    for (record::Reading& reading : point.readings) {
      reading.quantity += bad;
      reading.title = reading.unit = reading.detail = reading.limit.name = bad;
      if (!reading.value) reading.reason = bad;
    }
  }
  for (record::Event& event : run.events) event.id = event.text = bad;
  return run;
}

ReportOptions hostile_options() {
  const std::string bad = sample::hostile();
  return {.findings = {{bad, bad, {bad}, bad, 0.5}}, .results_sha256 = bad};
}

TEST(ResponseReport, TellsTheVerdictInWordsBeforeAnythingElse) {
  const std::string html = response_report_html(sample::faulty());
  const auto document = parsed(html);
  const auto main = document.select_node("//main").node();
  const auto first = main.first_child();
  EXPECT_STREQ(first.attribute("id").value(), "verdict");
  const std::string text = text_of(first);
  EXPECT_THAT(text, HasSubstr("Fail"));
  EXPECT_THAT(text, HasSubstr("Outside the limits: I/Q gain balance, I/Q phase error"));
  EXPECT_THAT(text, HasSubstr("What to do next"));
  EXPECT_THAT(text, HasSubstr("Compare I and Q stage by stage"));
  EXPECT_LT(html.find("id=\"verdict\""), html.find("<table"));
}

TEST(ResponseReport, EveryVerdictHasItsWordAndItsShape) {
  record::Run missing = sample::faulty();
  for (record::Point& point : missing.points) {
    for (record::Reading& reading : point.readings) {
      if (reading.decision == record::Decision::fail) reading.decision = record::Decision::pass;
    }
  }
  std::set<std::string> shapes;
  for (const auto& [run, word] :
       {std::pair{sample::healthy(), "Pass"}, std::pair{sample::faulty(), "Fail"},
        std::pair{sample::run(sample::Board{.serial = "b", .balance_db = 0.42}), "Conditional"},
        std::pair{missing, "No verdict"}}) {
    const auto document = parsed(response_report_html(run));
    EXPECT_STREQ(document.select_node("//p[@class='word']").node().text().as_string(), word);
    std::string shape;
    for (const auto& found : document.select_nodes("//div[@class='banner']/svg/*")) {
      shape += std::string(found.node().name()) + found.node().attribute("d").value();
    }
    shapes.insert(shape);
  }
  EXPECT_EQ(shapes.size(), 4U);
}

TEST(ResponseReport, HoldsTheIdentityOfBoardBenchAndProgram) {
  const record::Run run = sample::healthy();
  ReportOptions options;
  options.results_sha256 = std::string(64, 'c');
  const std::string text = visible(response_report_html(run, options));
  for (const std::string& part :
       {run.header.run_id, run.header.board, run.header.board_type_title, run.header.script_file,
        run.header.script_sha256, run.header.bench, run.header.person, run.header.program_version,
        run.header.instruments[0].identity, run.header.instruments[2].resource,
        run.header.instruments[2].calibrated, std::string("10.100 MHz"), std::string(64, 'c'),
        std::string("2026-11-25 03:04:05 UTC"), std::string("2026-11-25 03:05:31 UTC"),
        std::string("overdue"), std::string("not stated")}) {
    EXPECT_THAT(text, HasSubstr(part));
  }
}

TEST(ResponseReport, HasARowForEachReadingWithValueULimitAndDecision) {
  const record::Run run = sample::faulty();
  const auto document = parsed(response_report_html(run));
  std::size_t readings = 0;
  for (const record::Point& point : run.points) readings += point.readings.size();
  EXPECT_EQ(document.select_nodes("//table[@class='readings']/tbody/tr").size(), readings);
  EXPECT_EQ(document.select_nodes("//table[@class='readings']/tbody").size(), run.points.size());
  const auto row = document.select_node("//table[@class='readings']/tbody[2]/tr[3]").node();
  EXPECT_EQ(text_of(row), "I/Q gain balance -1.851 0.060 dB -0.500 to 0.500 fail ");
}

TEST(ResponseReport, AMissingReadingIsSaidWithItsReasonAndNeverZero) {
  const auto document = parsed(response_report_html(sample::faulty()));
  const auto rows =
      document.select_nodes("//table[@class='readings']//tr[td/span[@class='mark lost']]");
  EXPECT_EQ(rows.size(), 18U);
  for (const auto& found : rows) {
    const std::string text = text_of(found.node());
    EXPECT_THAT(text, HasSubstr("no reading"));
    EXPECT_THAT(text, HasSubstr("clipped: 214"));
    EXPECT_THAT(text, Not(HasSubstr(" 0 ")));
  }
}

TEST(ResponseReport, DrawsTheFiveCurvesAndTheCaptures) {
  const auto document = parsed(response_report_html(sample::healthy()));
  std::vector<std::string> titles;
  for (const auto& found : document.select_nodes("//figure//svg/@aria-label")) {
    titles.emplace_back(found.attribute().value());
  }
  EXPECT_THAT(titles, ::testing::ElementsAre("Conversion gain", "I/Q gain balance",
                                             "I/Q phase error", "Image rejection", "IF error",
                                             "I and Q over time", "Q against I"));
}

TEST(ResponseReport, IsTheSameTwice) {
  EXPECT_EQ(response_report_html(sample::faulty()), response_report_html(sample::faulty()));
}

TEST(ResponseReport, DoesNotDependOnTheLocale) {
  struct Comma : std::numpunct<char> {
    char do_decimal_point() const override { return ','; }
    std::string do_grouping() const override { return "\3"; }
  };
  const std::string home = response_report_html(sample::faulty());
  const std::locale before = std::locale::global(std::locale(std::locale(), new Comma));
  const std::string abroad = response_report_html(sample::faulty());
  std::locale::global(before);
  EXPECT_EQ(home, abroad);
}

TEST(ResponseReport, LoadsNothingAndRunsNothingButItsOwnScript) {
  const std::string html = response_report_html(sample::faulty());
  const auto document = parsed(html);
  EXPECT_EQ(std::string(document.select_node("//meta[@http-equiv='Content-Security-Policy']")
                            .node()
                            .attribute("content")
                            .value()),
            "default-src 'none'; style-src 'unsafe-inline'; img-src data:; script-src 'sha256-" +
                hover_script_sha256() + "'; base-uri 'none'; form-action 'none'");
  EXPECT_EQ(document.select_nodes("//link | //iframe | //img | //object | //embed").size(), 0U);
  ASSERT_EQ(document.select_nodes("//script").size(), 1U);
  EXPECT_EQ(document.select_node("//script").node().text().as_string(), hover_script());
  for (const auto& found : document.select_nodes("//@href | //@src")) {
    EXPECT_EQ(found.attribute().value()[0], '#');
  }
  EXPECT_THAT(html, Not(HasSubstr("url(http")));
  EXPECT_THAT(html, Not(HasSubstr("@import")));
}

TEST(ResponseReport, EveryForeignTextIsEscaped) {
  const std::string html = response_report_html(hostile_run(), hostile_options());
  const auto document = parsed(html);
  ASSERT_EQ(document.select_nodes("//script").size(), 1U);
  EXPECT_EQ(document.select_node("//script").node().text().as_string(), hover_script());
  for (const auto& found : document.select_nodes("//@*")) {
    EXPECT_NE(std::string(found.attribute().name()).substr(0, 2), "on");
  }
  for (const char c : html) {
    EXPECT_TRUE(static_cast<unsigned char>(c) >= 0x20 || c == '\n') << static_cast<int>(c);
  }
  EXPECT_THAT(html, Not(HasSubstr("\u202e")));
  // What was hostile is still there to be read.
  EXPECT_THAT(text_of(document.select_node("//h1").node()),
              HasSubstr("<script>alert(1)</script>\\x1b[31m"));
}

TEST(ResponseReport, IdsAreUniqueAndEveryLinkHasItsPlace) {
  for (const record::Run& run : {sample::faulty(), hostile_run(), record::Run()}) {
    const auto document = parsed(response_report_html(run, hostile_options()));
    std::set<std::string> ids;
    for (const auto& found : document.select_nodes("//@id")) {
      EXPECT_TRUE(ids.insert(found.attribute().value()).second) << found.attribute().value();
    }
    for (const auto& found : document.select_nodes("//@href")) {
      EXPECT_TRUE(ids.contains(found.attribute().value() + 1)) << found.attribute().value();
    }
  }
}

// "nan" or "inf" as a word of its own.
bool has_no_number(const std::string& text) {
  const auto letter = [](char c) { return std::isalpha(static_cast<unsigned char>(c)) != 0; };
  for (const char* word : {"nan", "NaN", "inf", "Inf"}) {
    for (std::size_t at = text.find(word); at != std::string::npos; at = text.find(word, at + 1)) {
      const bool begins = at == 0 || !letter(text[at - 1]);
      const bool ends = at + 3 == text.size() || !letter(text[at + 3]);
      if (begins && ends) return true;
    }
  }
  return false;
}

TEST(ResponseReport, NeverPrintsWhatIsNoNumber) {
  constexpr double kInfinity = std::numeric_limits<double>::infinity();
  record::Run run = sample::healthy();
  for (std::size_t i = 0; i < run.points.size(); ++i) {
    record::Point& point = run.points[i];
    if (i % 3 == 0) point.at["rf_hz"] = std::nan("");
    for (record::Reading& reading : point.readings) {
      reading.expanded_u = i % 2 == 0 ? kInfinity : std::nan("");
      if (i % 4 == 0) reading.value = i % 8 == 0 ? std::nan("") : -kInfinity;
      if (i % 5 == 0) reading.low = -kInfinity;
      if (i % 7 == 0) reading.limit.upper = kInfinity;
    }
    if (point.excerpt) {
      point.excerpt->i_v[5] = std::nanf("");
      point.excerpt->dt_s = i == 1 ? std::nan("") : 1e-6;
    }
  }
  const std::string html = response_report_html(run);
  const std::string text = visible(html);
  EXPECT_FALSE(has_no_number(text));
  // The numbers of the pictures stand in attributes.
  for (std::size_t at = html.find("=\""); at != std::string::npos; at = html.find("=\"", at + 2)) {
    const std::string value = html.substr(at + 2, html.find('"', at + 2) - at - 2);
    EXPECT_FALSE(has_no_number(value)) << value;
  }
}

TEST(ResponseReport, AnEmptyRunIsAReportToo) {
  const std::string text = visible(response_report_html(record::Run()));
  EXPECT_THAT(text, HasSubstr("No verdict"));
  EXPECT_THAT(text, HasSubstr("Nothing was measured."));
}

TEST(ResponseReport, SaysWhenNoRealBoardWasMeasured) {
  record::Run run = sample::healthy();
  EXPECT_THAT(visible(response_report_html(run)), Not(HasSubstr("from a model")));
  run.header.bench_kind = "simulated";
  EXPECT_THAT(visible(response_report_html(run)), HasSubstr("these readings come from a model"));
  run.header.bench_kind = "replay";
  EXPECT_THAT(visible(response_report_html(run)),
              HasSubstr("these readings come from a recording"));
}

TEST(ResponseReport, CarriesTheCautions) {
  const std::string text = visible(response_report_html(sample::faulty()));
  for (const char* part : {"mains earth", "polarity", "electrostatic", "licence", "Local rules"}) {
    EXPECT_THAT(text, HasSubstr(part));
  }
}

TEST(ResponseReport, ShowsTheFindingsOfADiagnosis) {
  ReportOptions options;
  options.findings.push_back({"Q sampling capacitor open",
                              "One of two charges.",
                              {"gain 6 dB low"},
                              "Measure C7 with the power off",
                              0.82});
  const std::string text = visible(response_report_html(sample::faulty(), options));
  EXPECT_THAT(text, HasSubstr("Q sampling capacitor open"));
  EXPECT_THAT(text, HasSubstr("82 %"));
  EXPECT_THAT(text, HasSubstr("Measure C7 with the power off"));
}

TEST(ResponseReport, PrintsOnA4WithRepeatedHeadings) {
  const std::string style = report_style("Board x, run y");
  for (const char* part : {"@page { size: A4;", "thead { display: table-header-group; }",
                           "break-inside: avoid", "print-color-adjust: exact"}) {
    EXPECT_THAT(style, HasSubstr(part));
  }
  // The foot of the page holds foreign text inside a style element.
  const std::string bad = report_style("</style><script>\"; } body { display: none } \\");
  EXPECT_THAT(bad, Not(HasSubstr("</style>")));
  EXPECT_THAT(bad, Not(HasSubstr("display: none } \\")));
  EXPECT_EQ(css_string("a\"b<"), "\"a\\000022b\\00003c\"");
}

// --- contrast, WCAG 2.2, 1.4.3 (text 4.5 : 1) and 1.4.11 (graphics 3 : 1)
// ---------------------------

double luminance(const std::string& colour) {
  std::array<double, 3> parts{};
  for (std::size_t i = 0; i < 3; ++i) {
    const double c = std::stoi(colour.substr(1 + 2 * i, 2), nullptr, 16) / 255.0;
    parts[i] = c <= 0.04045 ? c / 12.92 : std::pow((c + 0.055) / 1.055, 2.4);
  }
  return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2];
}

double contrast(const std::string& a, const std::string& b) {
  const double one = luminance(a) + 0.05;
  const double two = luminance(b) + 0.05;
  return std::max(one, two) / std::min(one, two);
}

using Colours = std::map<std::string, std::string>;

// The custom properties of the light scheme, and those of the dark one over them.
std::pair<Colours, Colours> schemes(const std::string& style) {
  Colours light;
  Colours dark;
  const std::regex property("--([a-z0-9-]+): (#[0-9a-f]{6})");
  for (auto at = std::sregex_iterator(style.begin(), style.end(), property);
       at != std::sregex_iterator(); ++at) {
    const bool first = light.emplace((*at)[1], (*at)[2]).second;
    if (!first) dark[(*at)[1]] = (*at)[2];
  }
  for (const auto& [name, colour] : light) dark.emplace(name, colour);
  return {light, dark};
}

TEST(Contrast, KnownPairs) {
  EXPECT_NEAR(contrast("#000000", "#ffffff"), 21, 0.01);
  EXPECT_NEAR(contrast("#777777", "#ffffff"), 4.48, 0.01);  // the usual example of just too little
}

TEST(Contrast, OfTextAndGraphicsIsEnoughInBothSchemes) {
  const auto [light, dark] = schemes(report_style(""));
  ASSERT_NE(light.at("paper"), dark.at("paper"));
  for (const Colours& scheme : {light, dark}) {
    for (const char* ink : {"ink", "soft", "link", "good", "near", "bad", "none"}) {
      for (const char* ground : {"paper", "sheet"}) {
        EXPECT_GE(contrast(scheme.at(ink), scheme.at(ground)), 4.5) << ink << " on " << ground;
      }
    }
    for (const char* fill : {"good-fill", "near-fill", "bad-fill", "none-fill"}) {
      EXPECT_GE(contrast(scheme.at("on-verdict"), scheme.at(fill)), 4.5) << fill;
    }
    for (const char* ink : {"nb-ink", "nb-axis"}) {
      EXPECT_GE(contrast(scheme.at(ink), scheme.at("nb-paper")), 4.5) << ink;
    }
    for (const char* line : {"nb-limit", "nb-0", "nb-1", "nb-2", "nb-3", "nb-4", "nb-5"}) {
      EXPECT_GE(contrast(scheme.at(line), scheme.at("nb-paper")), 3.0) << line;
    }
  }
}

}  // namespace
}  // namespace nightbench::report
