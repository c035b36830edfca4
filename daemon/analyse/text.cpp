#include <algorithm>
#include <cmath>

#include "daemon/analyse/analyse.hpp"
#include "daemon/analyse/display.hpp"
#include "drivers/base/quantity.hpp"
#include "sequences/report/tables.hpp"

namespace nightbench::analyse {
namespace {

std::string reason_of(const reading::NoReading& why) {
  return std::string(reading::name(why.reason)) + ": " + why.detail;
}

std::string heading(const AnalyseOutcome& outcome, std::size_t width) {
  constexpr std::size_t most_text = 400;
  const capture::Capture& capture = outcome.capture;
  const double span_s = static_cast<double>(capture.samples()) / capture.rate_hz;
  std::string line = capture.format + ", " + std::to_string(capture.samples()) + " samples at " +
                     format(capture.rate_hz, Unit::hertz) + " (" + format(span_s, Unit::second, 4) +
                     ")";
  if (capture.hash_checked) line += ", hash checked";
  if (!capture.datetime.empty()) line += ", " + excerpt(capture.datetime);
  std::string out = excerpt(capture.file, most_text) + "\n" + wrapped(line, width, "");
  if (!capture.description.empty()) {
    out += wrapped(excerpt(capture.description, most_text), width, "");
  }
  const reading::IqContext& context = outcome.context;
  if (context.rf_hz > 0) {
    line = "RF " + format(context.rf_hz, Unit::hertz, 10) + ", LO " +
           format(context.lo_hz, Unit::hertz, 10);
    if (context.level_dbm) line += ", level " + format(*context.level_dbm, Unit::dbm);
    line += context.sense < 0 ? "; with the RF above the LO, Q should lead I"
                              : "; with the RF above the LO, I should lead Q";
    out += wrapped(line, width, "");
  }
  return out;
}

// What has a value as a table; a capture that is refused may still have its offsets.
std::string quantity_table(const AnalyseOutcome& outcome, int width) {
  std::vector<std::vector<std::string>> lines;
  bool intervals = false;
  for (const Quantity& each : outcome.quantities) {
    if (outcome.refused && !each.outcome) continue;
    const Display shown = display(each);
    intervals = intervals || !shown.interval.empty();
    lines.push_back({each.title, shown.value, shown.u, shown.unit, shown.interval});
  }
  if (lines.empty()) return "";
  std::vector<report::Column> columns{
      {"Quantity", false}, {"Value", true}, {"U (k = 2)", true}, {"Unit", false}, {"95 %", false}};
  if (!intervals) {
    columns.pop_back();
    for (auto& line : lines) line.pop_back();
  }
  return report::text_table(columns, lines, width) + "\n";
}

// Each reason once, with all that it keeps from being read.
std::string missing(const AnalyseOutcome& outcome, std::size_t width) {
  if (outcome.refused) {
    return wrapped("NO READING, " + reason_of(*outcome.refused), width, "") + "\n";
  }
  std::vector<std::pair<std::string, std::string>> groups;  // reason, titles
  for (const Quantity& each : outcome.quantities) {
    if (each.outcome) continue;
    const std::string why = reason_of(each.outcome.error());
    const auto same = std::find_if(groups.begin(), groups.end(),
                                   [&](const auto& group) { return group.first == why; });
    if (same == groups.end())
      groups.emplace_back(why, each.title);
    else
      same->second += ", " + each.title;
  }
  std::string out;
  for (const auto& [why, titles] : groups) {
    out += wrapped("No reading, " + why, width, "") + wrapped(titles, width, "  ");
  }
  return out.empty() ? out : out + "\n";
}

std::string list(const char* title, const std::vector<std::string>& items, std::size_t width) {
  if (items.empty()) return "";
  std::string out = std::string(title) + "\n";
  for (const std::string& each : items) out += wrapped(each, width, "  ");
  return out + "\n";
}

const char* shape(reading::Distribution distribution) {
  switch (distribution) {
    case reading::Distribution::normal:
      return "normal";
    case reading::Distribution::rectangular:
      return "rectangular";
    case reading::Distribution::triangular:
      return "triangular";
    case reading::Distribution::u_shaped:
      return "U-shaped";
  }
  return "normal";
}

std::string budget_table(const Quantity& quantity, int width) {
  const reading::Reading& reading = *quantity.outcome;
  std::vector<std::vector<std::string>> lines;
  const auto digits = [](double value) { return format(value, Unit::one, 3); };
  for (const reading::BudgetRow& row : reading.budget) {
    lines.push_back({row.name, row.type == reading::Evaluation::type_a ? "A" : "B",
                     shape(row.distribution), digits(row.u), digits(row.sensitivity),
                     digits(std::fabs(row.sensitivity * row.u)),
                     std::isfinite(row.dof) ? digits(row.dof) : "inf"});
  }
  return wrapped(quantity.title + ": " + sentence(display(quantity)) + ", k = " + digits(reading.k),
                 static_cast<std::size_t>(width), "") +
         report::text_table(
             {{"Contribution", false},
              {"Type", false},
              {"Shape", false},
              {"u", true},
              {"Sensitivity", true},
              {"Share" + (reading.unit.empty() ? "" : " (" + reading.unit + ")"), true},
              {"Freedom", true}},
             lines, width) +
         "\n";
}

}  // namespace

std::string as_text(const AnalyseOutcome& outcome, bool budget, int width) {
  const auto columns = static_cast<std::size_t>(std::max(width, 40));
  std::string out = heading(outcome, columns) + "\n";
  if (outcome.refused) out += missing(outcome, columns);
  out += quantity_table(outcome, width);
  if (!outcome.refused) out += missing(outcome, columns);
  std::vector<std::string> findings;
  for (const reading::Finding& each : outcome.findings) {
    findings.push_back(std::string(reading::name(each.kind)) + ": " + each.detail);
  }
  out += list("Findings", findings, columns);
  out += list("Remarks", outcome.remarks, columns);
  if (budget) {
    out += "Uncertainty budgets (JCGM 100:2008, the GUM)\n\n";
    for (const Quantity& each : outcome.quantities) {
      if (each.outcome && !each.outcome->budget.empty()) out += budget_table(each, width);
    }
  }
  out.pop_back();  // the blank line behind the last part
  return out;
}

}  // namespace nightbench::analyse
