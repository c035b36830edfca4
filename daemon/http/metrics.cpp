// Text exposition format 0.0.4 of Prometheus: HELP and TYPE before each family, label values with
// backslash, quote and line feed escaped.
#include <unistd.h>

#include <cstdio>
#include <fstream>

#include "daemon/http/api.hpp"
#include "daemon/http/server.hpp"
#include "drivers/base/quantity.hpp"

namespace nightbench::http {
namespace {

std::string escaped(const std::string& text) {
  std::string out;
  for (const char c : text) {
    if (c == '\\' || c == '"') out += '\\';
    if (c == '\n')
      out += "\\n";
    else
      out += c;
  }
  return out;
}

class Page {
 public:
  void family(const char* name, const char* type, const char* help) {
    name_ = name;
    text_ += "# HELP " + name_ + " " + help + "\n# TYPE " + name_ + " " + type + "\n";
  }
  void value(double number) { text_ += name_ + " " + shortest(number) + "\n"; }
  void value(const char* label, const std::string& what, double number) {
    text_ += name_ + "{" + label + "=\"" + escaped(what) + "\"} " + shortest(number) + "\n";
  }
  template <typename Map>
  void values(const char* label, const Map& map) {
    for (const auto& [what, number] : map) {
      if constexpr (std::is_same_v<std::decay_t<decltype(what)>, int>)
        value(label, std::to_string(what), static_cast<double>(number));
      else
        value(label, what, static_cast<double>(number));
    }
  }
  std::string text() && { return std::move(text_); }

 private:
  std::string text_, name_;
};

double resident_bytes() {
  std::ifstream file("/proc/self/statm");
  double pages = 0;
  double resident = 0;
  file >> pages >> resident;
  return resident * static_cast<double>(sysconf(_SC_PAGESIZE));
}

void put_http(Page& page, const Tally& tally) {
  page.family("nightbench_http_connections", "gauge", "Open connections.");
  page.value(static_cast<double>(tally.open));
  page.family("nightbench_http_streams", "gauge", "Connections that read events.");
  page.value(static_cast<double>(tally.streams));
  page.family("nightbench_http_accepted_total", "counter", "Connections taken.");
  page.value(static_cast<double>(tally.accepted));
  page.family("nightbench_http_evicted_total", "counter",
              "Idle connections closed to make room for a new one.");
  page.value(static_cast<double>(tally.evicted));
  page.family("nightbench_http_responses_total", "counter", "Responses by status.");
  page.values("status", tally.responses);
  page.family("nightbench_http_refused_total", "counter", "Requests refused by reason.");
  page.values("reason", tally.refused);
}

}  // namespace

std::string metrics_text(const Rooms& rooms) {
  Page page;
  page.family("nightbench_build_info", "gauge", "The version of the program.");
  page.value("version", rooms.version, 1);
  page.family("process_start_time_seconds", "gauge", "When the service started, Unix time.");
  page.value(seconds(rooms.started.time_since_epoch()));
  page.family("process_resident_memory_bytes", "gauge", "Memory in use.");
  page.value(resident_bytes());
  page.family("nightbench_up", "gauge", "1 while the bench can be opened or has not been tried.");
  page.value(rooms.worker.trouble().empty() ? 1 : 0);
  page.family("nightbench_phase", "gauge", "What the service does now.");
  page.value("phase", service::word(rooms.worker.phase()), 1);
  page.family("nightbench_bench_failures_total", "counter",
              "Times the bench could not be opened or failed in a run.");
  page.value(static_cast<double>(rooms.worker.bench_failures()));
  page.family("nightbench_queue_entries", "gauge", "Entries of the queue by state.");
  if (const auto counts = rooms.queue.count()) {
    for (const auto& [state, number] : *counts) {
      page.value("state", store::word(state), static_cast<double>(number));
    }
  }
  const service::RunCounts& counts = rooms.live.counts();
  page.family("nightbench_points_total", "counter", "Points kept.");
  page.value(static_cast<double>(counts.points));
  page.family("nightbench_runs_total", "counter", "Runs that ended, by outcome.");
  page.values("outcome", counts.runs);
  page.family("nightbench_readings_total", "counter", "Readings by decision.");
  page.values("decision", counts.readings);
  page.family("nightbench_notes_total", "counter", "Events of runs by severity.");
  page.values("severity", counts.events);
  if (const auto& progress = rooms.live.progress()) {
    page.family("nightbench_run_points_done", "gauge", "Points of the run under way.");
    page.value(static_cast<double>(progress->points_done));
    page.family("nightbench_run_points_planned", "gauge", "Points the run under way plans.");
    page.value(static_cast<double>(progress->points_planned));
    if (progress->left_s >= 0) {
      page.family("nightbench_run_seconds_left", "gauge", "Time left of the run under way.");
      page.value(progress->left_s);
    }
  }
  page.family("nightbench_question_open", "gauge", "1 while a person is waited for.");
  page.value(rooms.person.open() ? 1 : 0);
  page.family("nightbench_events_total", "counter", "Events told to watchers.");
  page.value(static_cast<double>(rooms.events.last()));
  put_http(page, rooms.tally());
  return std::move(page).text();
}

}  // namespace nightbench::http
