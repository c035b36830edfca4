#include "sequences/report/junit.hpp"

#include <algorithm>
#include <chrono>
#include <map>
#include <set>

#include "drivers/base/time_text.hpp"
#include "sequences/report/markup.hpp"
#include "sequences/report/number_text.hpp"
#include "sequences/report/summary.hpp"

namespace nightbench::report {
namespace {

using record::Decision;

constexpr std::size_t kMostLines = 20;  // readings told in one case

struct Case {
  std::string name;
  double time_s = 0;
  std::string failed_type, lost_type;  // of the worst
  std::size_t failed = 0, lost = 0, judged = 0, conditional = 0;
  std::vector<std::string> lines;  // what failed or was lost
  std::vector<std::string> near;   // conditional passes
  int worst = 0;
};

void keep(std::vector<std::string>& lines, std::string text) {
  if (lines.size() < kMostLines)
    lines.push_back(std::move(text));
  else if (lines.size() == kMostLines)
    lines.push_back("and more, see the readings");
}

// Limits may change over frequency within one limit line; its name does not.
std::string case_name(const record::Point& point, const record::Reading& reading) {
  std::string out = point.label.empty() ? point.step : point.label;
  out += (out.empty() ? "" : ": ") + (reading.title.empty() ? reading.quantity : reading.title);
  const bool own = reading.limit.name.empty() || reading.limit.name == reading.quantity;
  if (!own) out += " (" + reading.limit.name + ")";
  return out;
}

bool limited(const record::Reading& reading) {
  const bool decided =
      reading.decision != Decision::none && reading.decision != Decision::no_reading;
  return decided || reading.limit.lower || reading.limit.upper;
}

void take(Case& test, const record::Point& point, const record::Reading& reading) {
  const std::string place = where(point);
  const Shown text = shown(reading);
  std::string line = std::string(record::word(reading.decision)) + ": " + text.full;
  if (!text.limit.empty()) line += ", allowed is " + text.limit;
  if (!place.empty()) line += ", at " + place;
  if (!reading.detail.empty()) line += " (" + reading.detail + ")";
  switch (reading.decision) {
    case Decision::none:
      return;
    case Decision::pass:
      ++test.judged;
      return;
    case Decision::conditional_pass:
      ++test.judged;
      ++test.conditional;
      keep(test.near, std::move(line));
      return;
    case Decision::no_reading:
      ++test.lost;
      if (test.lost_type.empty())
        test.lost_type = reading.reason.empty() ? "no reading" : reading.reason;
      break;
    case Decision::conditional_fail:
    case Decision::fail:
      ++test.judged;
      ++test.failed;
      if (badness(reading.decision) > test.worst) {
        test.worst = badness(reading.decision);
        test.failed_type = record::word(reading.decision);
      }
      break;
  }
  keep(test.lines, std::move(line));
}

std::vector<Case> cases_of(const record::Run& run) {
  std::vector<Case> out;
  std::map<std::string, std::size_t> known;
  for (const record::Point& point : run.points) {
    std::set<std::size_t> touched;
    for (const record::Reading& reading : point.readings) {
      if (!limited(reading)) continue;
      const std::string name = case_name(point, reading);
      const auto [at, fresh] = known.try_emplace(name, out.size());
      if (fresh) out.emplace_back().name = name;
      take(out[at->second], point, reading);
      touched.insert(at->second);
    }
    // A point serves several cases; shared out, the times of the cases add up to the time spent.
    const double spent_s = std::max(seconds(point.finished - point.started), 0.0);
    for (const std::size_t each : touched) {
      out[each].time_s += spent_s / static_cast<double>(touched.size());
    }
  }
  return out;
}

std::string element(const char* name, const std::string& type, const std::string& message,
                    const std::vector<std::string>& lines) {
  std::string out =
      std::string("      <") + name + attribute("type", type) + attribute("message", message);
  if (lines.empty()) return out + "/>\n";
  out += ">";
  for (const std::string& line : lines) out += escaped(line) + "\n";
  return out + "</" + name + ">\n";
}

std::string of_readings(std::size_t count, const Case& test, const char* what) {
  return std::to_string(count) + " of " + std::to_string(test.judged + test.lost) + " " + what;
}

struct Suite {
  std::string text;
  std::size_t tests = 0, failures = 0, errors = 0, skipped = 0;
  double time_s = 0;

  void add(const std::string& classname, const std::string& name, double spent_s,
           const std::string& inside) {
    ++tests;
    time_s += spent_s;
    text += "    <testcase" + attribute("classname", classname) + attribute("name", name) +
            attribute("time", fixed(spent_s, 3));
    text += inside.empty() ? "/>\n" : ">\n" + inside + "    </testcase>\n";
  }
};

void add_case(Suite& suite, const std::string& classname, const Case& test) {
  std::string inside;
  if (test.failed > 0) {
    ++suite.failures;
    inside =
        element("failure", test.failed_type,
                of_readings(test.failed, test, "readings outside the limit") +
                    (test.lost > 0 ? ", " + std::to_string(test.lost) + " without a reading" : ""),
                test.lines);
  } else if (test.lost > 0) {
    ++suite.errors;
    inside = element("error", test.lost_type, of_readings(test.lost, test, "without a reading"),
                     test.lines);
  }
  if (!test.near.empty()) {
    inside += "      <system-out>";
    for (const std::string& line : test.near) inside += escaped(line) + "\n";
    inside += "</system-out>\n";
  }
  suite.add(classname, test.name, test.time_s, inside);
}

void add_completeness(Suite& suite, const record::Run& run, const std::string& classname) {
  std::string inside;
  const std::size_t measured = run.points.size();
  const std::size_t planned = run.header.planned_points;
  if (run.outcome != record::Outcome::complete || measured < planned) {
    ++suite.errors;
    std::string message = record::word(run.outcome);
    if (!run.outcome_text.empty()) message += ": " + run.outcome_text;
    message +=
        "; " + std::to_string(measured) + " of " + std::to_string(planned) + " points measured";
    inside = element("error", record::word(run.outcome), message, {});
  }
  suite.add(classname, "all planned points measured", 0, inside);
}

std::string property(const char* name, const std::string& value) {
  if (value.empty()) return "";
  return "      <property" + attribute("name", name) + attribute("value", value) + "/>\n";
}

Suite suite_of(const record::Run& run, const std::string& classname, std::size_t id) {
  Suite suite;
  const std::vector<Case> cases = cases_of(run);
  for (const Case& test : cases) add_case(suite, classname, test);
  add_completeness(suite, run, classname);
  if (cases.empty()) {
    ++suite.skipped;
    suite.add(classname, "limits", 0,
              "      <skipped message=\"nothing was judged: no limit applied to any reading\"/>\n");
  }
  const record::Header& header = run.header;
  const WallTime end = run.finished.value_or(header.started);
  const double time_s = std::max({suite.time_s, seconds(end - header.started), 0.0});
  // hostname: the bench stands for the place of the test; the report names no computer.
  std::string open = "  <testsuite" + attribute("name", classname) +
                     attribute("id", std::to_string(id)) + attribute("package", header.script) +
                     attribute("timestamp", exact_time(header.started).substr(0, 19)) +
                     attribute("hostname", header.bench.empty() ? "bench" : header.bench) +
                     attribute("tests", std::to_string(suite.tests)) +
                     attribute("failures", std::to_string(suite.failures)) +
                     attribute("errors", std::to_string(suite.errors)) +
                     attribute("skipped", std::to_string(suite.skipped)) +
                     attribute("time", fixed(time_s, 3)) + ">\n    <properties>\n";
  open += property("board", header.board) + property("run", header.run_id) +
          property("verdict", record::word(record::verdict(run))) +
          property("outcome", record::word(run.outcome)) +
          property("script_sha256", header.script_sha256) +
          property("bench_kind", header.bench_kind) + property("program", header.program_version);
  suite.text = open + "    </properties>\n" + suite.text +
               "    <system-out></system-out>\n    <system-err></system-err>\n  </testsuite>\n";
  suite.time_s = time_s;
  return suite;
}

}  // namespace

std::string junit_xml(const std::vector<record::Run>& runs) {
  std::map<std::string, std::set<std::string>> boards;  // by script and board type
  const auto base = [](const record::Run& run) {
    return run.header.script + "." + run.header.board_type;
  };
  for (const record::Run& run : runs) boards[base(run)].insert(run.header.board);
  std::map<std::string, std::size_t> times;
  std::string body;
  Suite total;
  for (const record::Run& run : runs) {
    std::string classname = base(run);
    if (boards[classname].size() > 1) classname += "." + run.header.board;
    const std::size_t before = times[classname]++;
    if (before > 0) classname += "." + std::to_string(before + 1);
    const Suite suite = suite_of(run, classname, static_cast<std::size_t>(&run - runs.data()));
    body += suite.text;
    total.tests += suite.tests;
    total.failures += suite.failures;
    total.errors += suite.errors;
    total.skipped += suite.skipped;
    total.time_s += suite.time_s;
  }
  return "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<testsuites" +
         attribute("name", "nightbench") + attribute("tests", std::to_string(total.tests)) +
         attribute("failures", std::to_string(total.failures)) +
         attribute("errors", std::to_string(total.errors)) +
         attribute("time", fixed(total.time_s, 3)) + ">\n" + body + "</testsuites>\n";
}

}  // namespace nightbench::report
