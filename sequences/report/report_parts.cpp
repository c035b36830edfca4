#include "sequences/report/report_parts.hpp"

#include <algorithm>

#include "drivers/base/time_text.hpp"
#include "sequences/report/advice.hpp"
#include "sequences/report/curves.hpp"
#include "sequences/report/markup.hpp"
#include "sequences/report/number_text.hpp"

namespace nightbench::report {
namespace {

using record::Decision;
using record::Point;
using record::Reading;

std::string cell(const std::string& html, const char* kind = "") {
  return *kind == '\0' ? "<td>" + html + "</td>"
                       : std::string("<td class=\"") + kind + "\">" + html + "</td>";
}

std::string head(std::initializer_list<std::pair<const char*, bool>> titles) {
  std::string out = "<thead><tr>";
  for (const auto& [title, number] : titles) {
    out += std::string("<th scope=\"col\"") + (number ? " class=\"n\">" : ">") + title + "</th>";
  }
  return out + "</tr></thead>\n";
}

std::string title_of(const Reading& reading) {
  return reading.title.empty() ? reading.quantity : reading.title;
}

// The limit without its unit, which has a column of its own.
std::string limit_text(const Shown& text) {
  if (!text.lower.empty() && !text.upper.empty()) return text.lower + " to " + text.upper;
  if (!text.upper.empty()) return "\u2264 " + text.upper;
  if (!text.lower.empty()) return "\u2265 " + text.lower;
  return "";
}

// Value, U, unit, limit, decision and what else is to be said.
std::string reading_cells(const Reading& reading) {
  const Shown text = shown(reading);
  std::string out = cell(escaped(text.value), "n") + cell(escaped(text.u), "n") +
                    cell(escaped(typeset(text.unit)), "u") + cell(escaped(limit_text(text)), "n");
  return out + cell(decision_mark(reading.decision), "u");
}

// Why there is no value, or what else there is to say. What a decision followed from stands in the
// same row already.
std::string remark(const Reading& reading) {
  const bool judged = reading.value && reading.decision != Decision::none && reading.reason.empty();
  if (judged) return "";
  std::string out = reading.reason;
  if (!reading.detail.empty()) out += (out.empty() ? "" : ": ") + reading.detail;
  return out;
}

std::string row(const std::string& name, const std::string& value) {
  if (value.empty()) return "";
  return "<tr><th scope=\"row\">" + name + "</th><td>" + escaped(value) + "</td></tr>\n";
}

}  // namespace

std::string utc(WallTime time) {
  std::string text = exact_time(time).substr(0, 19);
  text[10] = ' ';
  return text + " UTC";
}

std::string decision_mark(Decision decision) {
  const char* kind = "none";
  switch (decision) {
    case Decision::none:
      break;
    case Decision::pass:
      kind = "pass";
      break;
    case Decision::conditional_pass:
      kind = "near";
      break;
    case Decision::conditional_fail:
    case Decision::fail:
      kind = "bad";
      break;
    case Decision::no_reading:
      kind = "lost";
      break;
  }
  return std::string("<span class=\"mark ") + kind + "\">" + record::word(decision) + "</span>";
}

std::string quantities_part(const Summary& summary) {
  std::string out = "<h2 id=\"quantities\">Worst reading of each quantity</h2>\n";
  if (summary.quantities.empty()) return out + "<p>Nothing was measured.</p>\n";
  out += scrolling("Worst reading of each quantity") + "<table>\n" +
         head({{"Quantity", false},
               {"Worst", true},
               {"U", true},
               {"", false},
               {"Limit", true},
               {"Decision", false},
               {"Where", false},
               {"Readings", true}});
  out += "<tbody>\n";
  const auto ambiguous = [&](const QuantitySummary& entry) {
    return std::count_if(summary.quantities.begin(), summary.quantities.end(),
                         [&](const auto& other) { return other.title == entry.title; }) > 1;
  };
  const auto rows = [&](bool judged) {
    for (const QuantitySummary& entry : summary.quantities) {
      if (entry.limited != judged) continue;
      std::string name = escaped(entry.title);
      if (!entry.label.empty() && ambiguous(entry))
        name += " <span class=\"soft small\">" + escaped(entry.label) + "</span>";
      std::string place = where(*entry.point);
      const std::string& why = entry.worst->reason;
      if (!why.empty() && !entry.worst->value) place += (place.empty() ? "" : "; ") + why;
      std::string count = std::to_string(entry.readings);
      if (entry.missing > 0) count += " of " + std::to_string(entry.readings + entry.missing);
      out += entry.failed > 0    ? "<tr class=\"out\">"
             : entry.missing > 0 ? "<tr class=\"gone\">"
                                 : "<tr>";
      out += "<th scope=\"row\">" + name + "</th>" + reading_cells(*entry.worst) +
             cell(escaped_prose(place), "place") + cell(count, "n") + "</tr>\n";
    }
  };
  rows(true);
  rows(false);
  return out + "</tbody>\n</table></div>\n";
}

std::string curves_part(const record::Run& run, const Summary& summary,
                        const record::Run* baseline) {
  const std::vector<Plot> plots = response_curves(run, summary, baseline);
  if (plots.empty()) return "";
  std::string out =
      "<h2 id=\"curves\">Curves</h2>\n<p class=\"soft lead\">Shaded: the reading with its expanded "
      "uncertainty U. Hatched: outside the limit. A filled mark misses its limit, a cross on the "
      "lower edge is a place without a reading.<span class=\"hint\" hidden=\"hidden\"> Point at "
      "a curve, or focus it and use the arrow keys, to read values.</span></p>\n<div "
      "class=\"curves\">\n";
  for (const Plot& plot : plots) {
    out += "<figure><figcaption>" + escaped(plot.title) + " <span>over " + escaped(plot.x.title) +
           "</span></figcaption>\n" + svg_element(plot) + "</figure>\n";
  }
  return out + "</div>\n";
}

std::string traces_part(const record::Run& run, const Summary& summary) {
  std::vector<const Point*> shown_points;
  const auto take = [&](const Point* point) {
    if (point == nullptr || !point->excerpt || point->excerpt->i_v.empty()) return;
    if (std::find(shown_points.begin(), shown_points.end(), point) == shown_points.end()) {
      shown_points.push_back(point);
    }
  };
  // The captures behind the worst readings say most; else the first that was kept.
  for (const QuantitySummary& entry : summary.quantities) {
    if (badness(entry.worst->decision) >= badness(Decision::no_reading)) take(entry.point);
  }
  for (const Point& point : run.points) {
    if (shown_points.empty()) take(&point);
  }
  if (shown_points.empty()) return "";
  if (shown_points.size() > 3) shown_points.resize(3);
  std::string out = "<h2 id=\"traces\">Captures</h2>\n";
  for (const Point* point : shown_points) {
    const std::string id = "point-" + std::to_string(point->ordinal);
    const std::string place = where(*point);
    out += "<figure><figcaption>Point " + std::to_string(point->ordinal) +
           (place.empty() ? "" : " <span>" + escaped_prose(place) + "</span>") +
           "</figcaption>\n<div class=\"pair\">" +
           svg_element(time_trace(*point->excerpt, id + "-time")) +
           svg_element(i_against_q(*point->excerpt, id + "-circle")) + "</div></figure>\n";
  }
  return out;
}

std::string identity_part(const record::Run& run, const ReportOptions& options) {
  const record::Header& header = run.header;
  std::string out =
      "<h2 id=\"identity\">What was measured with what</h2>\n"
      "<table class=\"facts-table\"><tbody>\n";
  out += row("Board", header.board);
  out += row("Board type", header.board_type_title.empty()
                               ? header.board_type
                               : header.board_type_title + " (" + header.board_type + ")");
  out += row("Run", header.run_id);
  out +=
      row("Script", header.script_file.empty() ? header.script
                                               : header.script + " (" + header.script_file + ")");
  out += row("SHA-256 of the script", header.script_sha256);
  out += row("Started", utc(header.started));
  out += row("Ended", run.finished ? utc(*run.finished) : "not ended");
  out += row("How it ended", std::string(record::word(run.outcome)) +
                                 (run.outcome_text.empty() ? "" : ": " + run.outcome_text));
  out += row("Operator", header.person.empty() ? "not stated" : header.person);
  out += row("Bench",
             header.bench + (header.bench_kind.empty() ? "" : " (" + header.bench_kind + ")"));
  out += row("Program", "Nightbench " + header.program_version);
  std::string parameters;
  for (const auto& [name, value] : header.parameters) {
    parameters += (parameters.empty() ? "" : "; ") + name + " " + value;
  }
  out += row("Parameters", parameters);
  out += row("SHA-256 of the results", options.results_sha256);
  out += "</tbody></table>\n<h3>Instruments</h3>\n";
  if (header.instruments.empty()) return out + "<p>None are recorded.</p>\n";
  out += scrolling("Instruments") + "<table>\n" +
         head({{"Name and role", false},
               {"Identity", false},
               {"Reached by", false},
               {"Calibrated", false},
               {"Due", false}}) +
         "<tbody>\n";
  for (const record::Instrument& each : header.instruments) {
    const std::string unstated = "<span class=\"soft\">not stated</span>";
    const auto stated = [&](const std::string& text) {
      return text.empty() ? unstated : escaped(text);
    };
    out +=
        "<tr><th scope=\"row\">" + escaped(each.name) + " <span class=\"soft small\">" +
        escaped(each.role) + "</span></th>" +
        cell(each.identity.empty() ? unstated : "<code>" + escaped(each.identity) + "</code>") +
        cell("<code>" + escaped(each.resource) + "</code>" +
             (each.dialect.empty()
                  ? ""
                  : " <span class=\"soft small\">" + escaped(each.dialect) + "</span>")) +
        cell(stated(each.calibrated), "u") +
        cell(stated(each.calibration_due) +
                 (overdue(each, header.started) ? " <span class=\"mark near\">overdue</span>" : ""),
             "u") +
        "</tr>\n";
  }
  return out + "</tbody></table></div>\n";
}

std::string readings_part(const record::Run& run) {
  std::string out = "<h2 id=\"readings\">All readings</h2>\n";
  if (run.points.empty()) return out + "<p>Nothing was measured.</p>\n";
  out += scrolling("All readings") + "<table class=\"readings\">\n" +
         head({{"Point", false},
               {"Quantity", false},
               {"Value", true},
               {"U", true},
               {"", false},
               {"Limit", true},
               {"Decision", false}});
  for (const Point& point : run.points) {
    std::string name = std::to_string(point.ordinal);
    if (!point.label.empty()) name += " " + escaped(point.label);
    const std::string place = where(point);
    if (!place.empty()) name += "<br/>" + escaped_prose(place);
    if (point.attempts > 1) name += "<br/>attempt " + std::to_string(point.attempts);
    for (const std::string& note : point.notes) {
      name += "<br/><span class=\"soft\">" + escaped(note) + "</span>";
    }
    const std::size_t rows = std::max<std::size_t>(point.readings.size(), 1);
    out += "<tbody><tr><th scope=\"rowgroup\" rowspan=\"" + std::to_string(rows) + "\">" + name +
           "</th>";
    if (point.readings.empty())
      out += "<td colspan=\"6\" class=\"soft\">no readings at this point</td></tr>";
    for (std::size_t i = 0; i < point.readings.size(); ++i) {
      const Reading& reading = point.readings[i];
      if (i != 0) out += "<tr>";
      std::string title = escaped(title_of(reading));
      const std::string more = remark(reading);
      if (!more.empty()) title += " <span class=\"soft\">" + escaped_prose(more) + "</span>";
      out += cell(title, "title") + reading_cells(reading) + "</tr>\n";
    }
    out += "</tbody>\n";
  }
  return out + "</table></div>\n";
}

std::string events_part(const record::Run& run) {
  std::string out = "<h2 id=\"events\">Events</h2>\n";
  if (run.events.empty()) return out + "<p>None.</p>\n";
  out += scrolling("Events") + "<table>\n" +
         head({{"Time", false}, {"", false}, {"Event", false}}) + "<tbody>\n";
  for (const record::Event& event : run.events) {
    const char* kind = event.severity == record::Severity::trouble   ? "bad"
                       : event.severity == record::Severity::warning ? "near"
                                                                     : "none";
    out += "<tr>" + cell(escaped(utc(event.time)), "u") +
           cell(std::string("<span class=\"mark ") + kind + "\">" + record::word(event.severity) +
                    "</span>",
                "u") +
           cell(escaped(event.text) + (event.id.empty() ? ""
                                                        : " <span class=\"soft small\">" +
                                                              escaped(event.id) + "</span>")) +
           "</tr>\n";
  }
  return out + "</tbody></table></div>\n";
}

std::string cautions_part(const record::Run& run) {
  std::string out = "<h2 id=\"cautions\">Cautions</h2>\n<ul>\n";
  for (const std::string& caution : cautions(run)) out += "<li>" + escaped(caution) + "</li>\n";
  return out + "</ul>\n";
}

}  // namespace nightbench::report
