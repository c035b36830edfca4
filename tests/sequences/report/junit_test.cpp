#include "sequences/report/junit.hpp"

#include <gmock/gmock.h>

#include <cstdlib>
#include <pugixml.hpp>
#include <set>

#include "sample_runs.hpp"

namespace nightbench::report {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

pugi::xml_document parsed(const std::string& text) {
  pugi::xml_document document;
  const auto outcome = document.load_buffer(text.data(), text.size());
  EXPECT_TRUE(outcome) << outcome.description();
  return document;
}

std::set<std::string> names(const pugi::xml_document& document) {
  std::set<std::string> out;
  for (const auto& found : document.select_nodes("//testcase")) {
    const auto node = found.node();
    const std::string name =
        std::string(node.attribute("classname").value()) + "/" + node.attribute("name").value();
    EXPECT_TRUE(out.insert(name).second) << "twice: " << name;
  }
  return out;
}

record::Run cut() {
  record::Run run = sample::healthy();
  run.points.resize(20);
  run.outcome = record::Outcome::interrupted;
  run.outcome_text = "asked to stop";
  return run;
}

// JUnit.xsd of windyroad: the attributes that a testsuite and a testcase must have, and their
// forms.
TEST(JunitXml, HasWhatTheSchemaRequires) {
  const auto document = parsed(junit_xml({sample::faulty(), cut()}));
  for (const auto& suite : document.child("testsuites").children("testsuite")) {
    for (const char* needed : {"name", "timestamp", "hostname", "tests", "failures", "errors",
                               "time", "package", "id"}) {
      EXPECT_TRUE(suite.attribute(needed)) << needed;
    }
    EXPECT_STREQ(suite.attribute("timestamp").value(), "2026-11-25T03:04:05");
    EXPECT_STREQ(suite.first_child().name(), "properties");
    EXPECT_STREQ(suite.last_child().name(), "system-err");
  }
  for (const auto& found : document.select_nodes("//testcase")) {
    for (const char* needed : {"name", "classname", "time"}) {
      EXPECT_TRUE(found.node().attribute(needed)) << needed;
    }
    EXPECT_THAT(found.node().attribute("time").value(), ::testing::MatchesRegex("[0-9]+\\.[0-9]+"));
  }
  for (const auto& found : document.select_nodes("//failure | //error")) {
    EXPECT_STRNE(found.node().attribute("type").value(), "");
  }
}

TEST(JunitXml, CountsAgreeWithTheCases) {
  const auto document =
      parsed(junit_xml({sample::healthy(), sample::faulty(), cut(), record::Run()}));
  std::size_t tests = 0;
  std::size_t failures = 0;
  std::size_t errors = 0;
  const auto size = [](const pugi::xpath_node_set& nodes) { return nodes.size(); };
  for (const auto& suite : document.child("testsuites").children("testsuite")) {
    EXPECT_EQ(suite.attribute("tests").as_uint(), size(suite.select_nodes("testcase")));
    EXPECT_EQ(suite.attribute("failures").as_uint(), size(suite.select_nodes("testcase/failure")));
    EXPECT_EQ(suite.attribute("errors").as_uint(), size(suite.select_nodes("testcase/error")));
    EXPECT_EQ(suite.attribute("skipped").as_uint(), size(suite.select_nodes("testcase/skipped")));
    tests += suite.attribute("tests").as_uint();
    failures += suite.attribute("failures").as_uint();
    errors += suite.attribute("errors").as_uint();
    for (const auto& test : suite.children("testcase")) {
      EXPECT_LE(size(test.select_nodes("failure | error | skipped")), 1U);
    }
  }
  const auto root = document.child("testsuites");
  EXPECT_EQ(root.attribute("tests").as_uint(), tests);
  EXPECT_EQ(root.attribute("failures").as_uint(), failures);
  EXPECT_EQ(root.attribute("errors").as_uint(), errors);
}

TEST(JunitXml, AMissedLimitIsAFailureAndALostReadingAnError) {
  const auto document = parsed(junit_xml({sample::faulty()}));
  const auto gain = document.select_node("//testcase[@name='response: I/Q gain balance']").node();
  ASSERT_TRUE(gain);
  EXPECT_STREQ(gain.attribute("classname").value(), "response.heron-30");
  EXPECT_STREQ(gain.child("failure").attribute("type").value(), "fail");
  EXPECT_STREQ(gain.child("failure").attribute("message").value(),
               "49 of 52 readings outside the limit, 3 without a reading");
  EXPECT_THAT(gain.child("failure").text().as_string(), HasSubstr("and more, see the readings"));
  const auto lost = document.select_node("//testcase[@name='response: IF error']").node();
  EXPECT_STREQ(lost.child("error").attribute("type").value(), "clipped");
  EXPECT_FALSE(lost.child("failure"));
  EXPECT_FALSE(document.select_node("//testcase[contains(@name, 'amplitude')]"));
}

TEST(JunitXml, ACutRunIsAnErrorEvenWhenAllThatWasMeasuredPassed) {
  const auto document = parsed(junit_xml({cut()}));
  const auto whole = document.select_node("//testcase[@name='all planned points measured']").node();
  EXPECT_STREQ(whole.child("error").attribute("message").value(),
               "interrupted: asked to stop; 20 of 53 points measured");
  record::Run silent = sample::healthy();
  silent.points.pop_back();  // complete by its word, and yet a point is missing
  EXPECT_TRUE(parsed(junit_xml({silent})).select_node("//error"));
}

TEST(JunitXml, ARunThatJudgesNothingIsSkippedAndNotPassed) {
  record::Run run = sample::healthy();
  for (record::Point& point : run.points) point.readings.clear();
  const auto document = parsed(junit_xml({run}));
  EXPECT_EQ(document.select_nodes("//skipped").size(), 1U);
}

TEST(JunitXml, AConditionalPassPassesAndIsTold) {
  const auto document =
      parsed(junit_xml({sample::run(sample::Board{.serial = "H30-002", .balance_db = 0.42})}));
  const auto gain = document.select_node("//testcase[@name='response: I/Q gain balance']").node();
  EXPECT_FALSE(gain.child("failure"));
  EXPECT_THAT(gain.child("system-out").text().as_string(), HasSubstr("conditional pass: 0.4"));
}

TEST(JunitXml, NamesAreTheSameFromRunToRun) {
  record::Run other =
      sample::run(sample::Board{.serial = "H30-099", .gain_db = 11, .phase_deg = 2.2});
  other.header.started = sample::at_second(99999);
  EXPECT_EQ(names(parsed(junit_xml({sample::healthy()}))), names(parsed(junit_xml({other}))));
  EXPECT_EQ(names(parsed(junit_xml({sample::healthy()}))),
            names(parsed(junit_xml({sample::faulty()}))));
}

TEST(JunitXml, SeveralBoardsInOneFileKeepTheirCasesApart) {
  const auto all =
      names(parsed(junit_xml({sample::healthy(), sample::faulty(), sample::healthy()})));
  EXPECT_EQ(all.size(), 30U);
  EXPECT_TRUE(all.contains("response.heron-30.H30-007/response: IF error"));
  EXPECT_TRUE(all.contains("response.heron-30.H30-001.2/response: IF error"));
}

TEST(JunitXml, TimesOfTheCasesAddUpToTheTimeOfThePoints) {
  const record::Run run = sample::healthy();
  double spent_s = 0;
  for (const record::Point& point : run.points) spent_s += seconds(point.finished - point.started);
  double told_s = 0;
  const auto document = parsed(junit_xml({run}));
  for (const auto& found : document.select_nodes("//testcase")) {
    told_s += std::strtod(found.node().attribute("time").value(), nullptr);
  }
  EXPECT_NEAR(told_s, spent_s, 0.01);
}

// XML 1.0, section 2.2: no control characters but TAB, LF and CR, not even escaped.
TEST(JunitXml, HostileTextIsSafe) {
  record::Run run = sample::faulty();
  const std::string bad = sample::hostile();
  run.header.board = run.header.run_id = run.header.script = run.header.bench = bad;
  run.header.board_type = run.header.program_version = run.outcome_text = bad;
  run.outcome = record::Outcome::bench_failed;
  for (record::Point& point : run.points) {
    point.label = bad;
    for (record::Reading& reading : point.readings) {
      reading.title = reading.detail = reading.limit.name = reading.unit = bad;
      if (!reading.value) reading.reason = bad;
    }
  }
  const std::string text = junit_xml({run});
  parsed(text);
  EXPECT_THAT(text, Not(HasSubstr("<script")));
  EXPECT_THAT(text, Not(HasSubstr("]]>")));
  EXPECT_THAT(text, Not(::testing::ContainsRegex("&#x?[01]?[0-9a-fA-F];")));
  for (const char c : text)
    EXPECT_TRUE(static_cast<unsigned char>(c) >= 0x20 || c == '\n' || c == '\t');
  EXPECT_THAT(text, HasSubstr("\\x1b[31m"));
}

TEST(JunitXml, IsTheSameTwice) {
  EXPECT_EQ(junit_xml({sample::faulty()}), junit_xml({sample::faulty()}));
}

}  // namespace
}  // namespace nightbench::report
