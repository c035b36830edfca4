#include "sequences/report/diagnosis_part.hpp"

#include "sequences/report/markup.hpp"
#include "sequences/report/number_text.hpp"
#include "sequences/report/report_parts.hpp"

namespace nightbench::report {
namespace {

using diagnosis::Conclusion;

constexpr double kWorthReading = 0.03;  // probability of a cause beside the first

std::vector<std::string> lines(const std::vector<diagnosis::Says>& all) {
  std::vector<std::string> out;
  for (const diagnosis::Says& each : all) {
    out.push_back(each.title + ": " + each.shown + " (expected: " + each.expected + ")");
  }
  return out;
}

std::string check_text(const diagnosis::NextCheck& check) {
  return "Measure next what tells most: " + check.title +
         (check.where.empty() ? "" : " (" + check.where + ")");
}

// What to do next is a list whose sentences get their full stop there.
std::string without_stop(std::string text) {
  if (text.ends_with('.')) text.pop_back();
  return text;
}

std::string list(const char* title, const std::vector<std::string>& items) {
  if (items.empty()) return "";
  std::string out = std::string("<p class=\"small\"><strong>") + title + "</strong></p>\n<ul>\n";
  for (const std::string& each : items) out += "<li>" + escaped(each) + "</li>\n";
  return out + "</ul>\n";
}

}  // namespace

void add_diagnosis(const diagnosis::Diagnosis& found, ReportOptions& options) {
  if (found.conclusion == Conclusion::healthy || found.conclusion == Conclusion::nothing_measured) {
    return;
  }
  options.diagnosis = found.sentence;
  const std::string next = found.next.empty() ? "" : check_text(found.next.front());
  if (found.conclusion == Conclusion::not_in_the_book) {
    Finding none;
    none.title = "Nothing that the fault book knows";
    none.explanation =
        "No fault of the book explains these readings. Follow the signal from the RF input stage by "
        "stage; the stage after which it is wrong holds the fault.";
    none.next_check = next;
    options.findings.push_back(std::move(none));
    return;
  }
  for (const diagnosis::Cause& cause : found.causes) {
    if (!options.findings.empty() && cause.probability < kWorthReading) break;
    Finding one;
    one.title = cause.title + (cause.size.empty() ? "" : " (" + cause.size + ")");
    one.explanation = cause.about;
    one.evidence = lines(cause.speaks_for);
    one.against = lines(cause.speaks_against);
    one.weight = cause.probability;
    one.repairs = cause.repairs;
    one.cautions = cause.cautions;
    // While it is not clear yet, the next measurement comes before the iron.
    const bool first = options.findings.empty();
    if (first && found.conclusion == Conclusion::unclear) one.next_check = next;
    else if (first && !cause.repairs.empty()) one.next_check = without_stop(cause.repairs.front());
    options.findings.push_back(std::move(one));
  }
}

std::string findings_part(const ReportOptions& options) {
  if (options.findings.empty()) return "";
  std::string out = "<h2 id=\"findings\">Where the fault is likely to be</h2>\n";
  if (!options.diagnosis.empty()) out += "<p>" + escaped_prose(options.diagnosis) + ".</p>\n";
  for (const Finding& finding : options.findings) {
    out += "<div class=\"finding\"><h3>" + escaped(finding.title);
    if (finding.weight >= 0 && finding.weight <= 1) {
      out += " <span class=\"soft small\">" + fixed(finding.weight * 100, 0) + " %</span>";
    }
    out += "</h3>\n";
    if (!finding.explanation.empty()) out += "<p>" + escaped(finding.explanation) + "</p>\n";
    out += list("Readings for it", finding.evidence);
    out += list("Readings against it", finding.against);
    if (!finding.next_check.empty()) {
      out += "<p><strong>To be sure:</strong> " + escaped(finding.next_check) + "</p>\n";
    }
    out += list("Repair", finding.repairs);
    out += list("Mind", finding.cautions);
    out += "</div>\n";
  }
  return out;
}

}  // namespace nightbench::report
