#include "sequences/report/response_report.hpp"

#include "sequences/report/advice.hpp"
#include "sequences/report/derived.hpp"
#include "sequences/report/document.hpp"
#include "sequences/report/markup.hpp"
#include "sequences/report/number_text.hpp"
#include "sequences/report/report_parts.hpp"

namespace nightbench::report {
namespace {

using record::Verdict;

const char* verdict_word(Verdict verdict) {
  switch (verdict) {
    case Verdict::pass:
      return "Pass";
    case Verdict::conditional:
      return "Conditional";
    case Verdict::fail:
      return "Fail";
    case Verdict::none:
      return "No verdict";
  }
  return "No verdict";
}

const char* verdict_class(Verdict verdict) {
  switch (verdict) {
    case Verdict::pass:
      return "pass";
    case Verdict::conditional:
      return "conditional";
    case Verdict::fail:
      return "fail";
    case Verdict::none:
      return "none";
  }
  return "none";
}

// Shapes that differ without colour: tick, triangle, cross, open circle.
const char* verdict_picture(Verdict verdict) {
  switch (verdict) {
    case Verdict::pass:
      return "<path d=\"M8 26L20 38L42 12\"/>";
    case Verdict::conditional:
      return "<path d=\"M25 8L44 42H6Z\"/><path d=\"M25 20V30\"/>";
    case Verdict::fail:
      return "<path d=\"M11 11L39 39M39 11L11 39\"/>";
    case Verdict::none:
      return "<circle cx=\"25\" cy=\"25\" r=\"17\"/><path d=\"M17 25H33\"/>";
  }
  return "";
}

std::string list_of(const std::vector<std::string>& sentences, const char* element,
                    std::size_t most) {
  std::string out = std::string("<") + element + ">\n";
  for (std::size_t i = 0; i < sentences.size() && i < most; ++i) {
    // A reason, "I/Q gain balance: ...", reads best with its subject set off.
    const std::string& text = sentences[i];
    const std::size_t colon = text.find(": ");
    const bool subject =
        *element == 'u' && colon != std::string::npos && text.find_first_of(".,;(") > colon;
    out += "<li>";
    if (subject) out += "<strong>" + escaped(text.substr(0, colon)) + "</strong>";
    out += escaped_prose(subject ? text.substr(colon) : text) + ".</li>\n";
  }
  if (sentences.size() > most) {
    out +=
        "<li>and " + std::to_string(sentences.size() - most) + " more, see the table below.</li>\n";
  }
  return out + "</" + element + ">\n";
}

std::string fact(const std::string& name, const std::string& value) {
  return "<div><dt>" + name + "</dt><dd>" + escaped(value) + "</dd></div>\n";
}

std::string duration(const record::Run& run) {
  WallTime end = run.finished.value_or(run.header.started);
  if (!run.finished && !run.points.empty()) end = run.points.back().finished;
  const long long total_s = std::max<long long>(
      std::chrono::round<std::chrono::seconds>(end - run.header.started).count(), 0);
  const long long hours = total_s / 3600;
  const long long minutes = total_s / 60 % 60;
  std::string out;
  if (hours > 0) out += std::to_string(hours) + " h ";
  if (hours > 0 || minutes > 0) out += std::to_string(minutes) + " min ";
  return out + std::to_string(total_s % 60) + " s";
}

std::string notice(const record::Run& run) {
  std::string text;
  if (run.header.bench_kind == "simulated") {
    text = "Simulated bench: these readings come from a model, not from a board.";
  } else if (run.header.bench_kind == "replay") {
    text = "Replay: these readings come from a recording, not from instruments that were there.";
  }
  return text.empty() ? "" : "<p class=\"notice\"><strong>" + text + "</strong></p>\n";
}

}  // namespace

std::string verdict_part(const record::Run& run, const Summary& summary,
                         const ReportOptions& options) {
  std::string out = "<section class=\"verdict " + std::string(verdict_class(summary.verdict)) +
                    "\" id=\"verdict\" aria-label=\"Verdict\">\n<div class=\"banner\">";
  out += "<svg viewBox=\"0 0 50 50\" aria-hidden=\"true\">" +
         std::string(verdict_picture(summary.verdict)) + "</svg>";
  out += "<p class=\"word\">" + std::string(verdict_word(summary.verdict)) +
         "</p><p class=\"line\">" + escaped_prose(summary.headline) +
         ".</p></div>\n<div class=\"split\">\n";
  if (!summary.reasons.empty()) {
    out += "<div class=\"why\"><h2>Why</h2>\n" + list_of(summary.reasons, "ul", 6) + "</div>\n";
  }
  out += "<div class=\"next\"><h2>What to do next</h2>\n" +
         list_of(next_steps(run, summary, options.findings), "ol", 7);
  if (summary.verdict != Verdict::pass) {
    out +=
        "<p class=\"small\">Before touching the board: <a href=\"#cautions\">cautions</a>.</p>\n";
  }
  out += "</div>\n</div>\n<dl class=\"facts\">\n";
  out += fact("Points measured", std::to_string(summary.measured) + " of " +
                                     std::to_string(std::max(summary.planned, summary.measured)));
  out += fact("Judged", std::to_string(summary.judged));
  out += fact("Outside", std::to_string(summary.failed));
  out += fact("Inside by less than U", std::to_string(summary.conditional));
  out += fact("No reading", std::to_string(summary.missing));
  out += fact("Run", std::string(record::word(run.outcome)) + ", " + duration(run));
  std::size_t warnings = 0;
  std::size_t troubles = 0;
  for (const record::Event& event : run.events) {
    warnings += event.severity == record::Severity::warning ? 1 : 0;
    troubles += event.severity == record::Severity::trouble ? 1 : 0;
  }
  if (warnings + troubles > 0) {
    out += "<div><dt><a href=\"#events\">Events</a></dt><dd>" + std::to_string(troubles) +
           " trouble, " + std::to_string(warnings) + (warnings == 1 ? " warning" : " warnings") +
           "</dd></div>\n";
  }
  return out + "</dl>\n</section>\n";
}

namespace {

std::string derived_part(const record::Run& run) {
  const std::vector<Derived> all = derive(run);
  if (all.empty()) return {};
  std::string out =
      "<h2 id=\"derived\">Over the whole run</h2>\n" + scrolling("Over the whole run") +
      "<table>\n<thead><tr>"
      "<th scope=\"col\">Quantity</th><th scope=\"col\">Value</th><th scope=\"col\">Over</th></tr>"
      "</thead>\n<tbody>\n";
  for (const Derived& each : all) {
    const Shown text = shown(each.reading);
    out += "<tr><th scope=\"row\">" + escaped(each.reading.title) + "</th><td>" +
           escaped(each.reading.value ? text.full : "no reading: " + each.reading.detail) +
           "</td><td>" + escaped(each.over) + "</td></tr>\n";
  }
  return out + "</tbody>\n</table></div>\n";
}

}  // namespace

std::string response_report_html(const record::Run& run, const ReportOptions& options) {
  const Summary summary = summarise(run);
  const record::Header& header = run.header;
  std::string out = document_begin({.title = header.board + ": " + verdict_word(summary.verdict) +
                                             " - response report " + header.run_id,
                                    .program_version = header.program_version,
                                    .footer = "Board " + header.board + ", run " + header.run_id,
                                    .style = ""});
  out += "<header class=\"top\"><div class=\"what\"><p class=\"kind\">Response report, " +
         escaped(header.board_type_title.empty() ? header.board_type : header.board_type_title) +
         "</p><h1>Board " + escaped(header.board) + "</h1></div>\n<p class=\"when\">" +
         escaped(utc(header.started)) + "<br/>Run " + escaped(header.run_id) +
         "</p></header>\n<main>\n";
  out += notice(run);
  out += verdict_part(run, summary, options);

  const std::string findings = findings_part(options);
  const std::string curves = curves_part(run, summary, options.baseline);
  const std::string beside = baseline_part(run, options.baseline);
  const std::string correction = correction_part(run);
  const std::string drift = drift_part(run);
  const std::string traces = traces_part(run, summary);
  const std::string budget = budget_part(run);
  out += "<nav aria-label=\"Contents\">";
  const auto link = [&](const char* id, const char* title) {
    out += std::string("<a href=\"#") + id + "\">" + title + "</a> ";
  };
  if (!findings.empty()) link("findings", "Likely fault");
  link("identity", "What was measured with what");
  link("quantities", "Worst readings");
  if (!beside.empty()) link("baseline", "Beside the baseline");
  if (!curves.empty()) link("curves", "Curves");
  if (!correction.empty()) link("correction", "I/Q correction");
  if (!drift.empty()) link("drift", "Drift");
  if (!traces.empty()) link("traces", "Captures");
  link("interruptions", "Interruptions");
  link("events", "Events");
  link("readings", "All readings");
  if (!budget.empty()) link("budget", "How each U came about");
  link("cautions", "Cautions");
  out += "</nav>\n";
  out += findings + identity_part(run, options) + quantities_part(summary) + beside + derived_part(run) +
         curves + correction + drift + traces + interruptions_part(run) + events_part(run) + readings_part(run) +
         budget + cautions_part(run);
  out += "<div class=\"sign\"><p>Checked by</p><p>Date</p></div>\n";
  out +=
      "<p class=\"soft small end\">U is the expanded uncertainty, k = 2 (about 95 %). Decisions "
      "follow "
      "ILAC-G8:09/2019 with a guard band of U: pass, conditional pass (inside the limit by less "
      "than U), conditional fail (outside by less than U), fail. No reading means that nothing "
      "trustworthy was captured; it is never counted as 0. Times are UTC.</p>\n";
  return out + "</main>\n" + document_end();
}

}  // namespace nightbench::report
