#include "sequences/record/json_form.hpp"

#include <charconv>
#include <cmath>
#include <nlohmann/json.hpp>

#include "drivers/base/time_text.hpp"
#include "sequences/record/text.hpp"

namespace nightbench::record {

using Json = nlohmann::ordered_json;

namespace {

void put_text(Json& out, const char* key, const std::string& text) {
  if (!text.empty()) out[key] = valid_utf8(text);
}
void put_finite(Json& out, const char* key, const std::optional<double>& value) {
  if (value && std::isfinite(*value)) out[key] = *value;
}
Json number_or_null(double value) {
  return std::isfinite(value) ? Json(value) : Json(nullptr);
}

// The double whose shortest text is the shortest text of `value` and which still narrows to
// `value`: 0.1f is written 0.1 and not 0.10000000149011612, at a third of the size.
Json sample(float value) {
  if (!std::isfinite(value)) return nullptr;
  char text[32];
  const auto written = std::to_chars(text, text + sizeof text, value);
  double wide = 0;
  std::from_chars(text, written.ptr, wide);
  return static_cast<float>(wide) == value ? wide : static_cast<double>(value);
}

Json samples(const std::vector<float>& values) {
  Json out = Json::array();
  for (const float value : values) out.push_back(sample(value));
  return out;
}

Json json_of(const Instrument& instrument) {
  Json out = Json::object();
  out["name"] = valid_utf8(instrument.name);
  out["role"] = valid_utf8(instrument.role);
  put_text(out, "resource", instrument.resource);
  put_text(out, "dialect", instrument.dialect);
  put_text(out, "identity", instrument.identity);
  put_text(out, "calibrated", instrument.calibrated);
  put_text(out, "calibration_due", instrument.calibration_due);
  return out;
}

Json json_of(const TraceExcerpt& excerpt) {
  Json out = Json::object();
  out["dt_s"] = number_or_null(excerpt.dt_s);
  out["i_v"] = samples(excerpt.i_v);
  out["q_v"] = samples(excerpt.q_v);
  return out;
}

}  // namespace

Json json_of(const Reading& reading) {
  const bool broken = reading.value && !std::isfinite(*reading.value);
  Json out = Json::object();
  out["quantity"] = valid_utf8(reading.quantity);
  put_text(out, "title", reading.title);
  put_text(out, "unit", reading.unit);
  put_finite(out, "value", reading.value);
  if (reading.expanded_u != 0 || std::signbit(reading.expanded_u)) {
    out["expanded_u"] = number_or_null(reading.expanded_u);
  }
  put_finite(out, "low", reading.low);
  put_finite(out, "high", reading.high);
  if (reading.open_above) out["open_above"] = true;
  put_text(out, "reason", broken ? "not-finite" : reading.reason);
  put_text(out, "detail", reading.detail);
  Json limit = Json::object();
  put_finite(limit, "lower", reading.limit.lower);
  put_finite(limit, "upper", reading.limit.upper);
  put_text(limit, "name", reading.limit.name);
  if (!limit.empty()) out["limit"] = std::move(limit);
  out["decision"] = word(broken ? Decision::no_reading : reading.decision);
  if (reading.conform_probability != -1) {
    put_finite(out, "conform_probability", reading.conform_probability);
  }
  if (!reading.budget.empty()) {
    Json budget = Json::array();
    for (const Contribution& each : reading.budget) {
      budget.push_back({{"name", valid_utf8(each.name)},
                        {"type", std::string(1, each.type)},
                        {"u", number_or_null(each.u)}});
    }
    out["budget"] = std::move(budget);
  }
  return out;
}

Json json_of(const Point& point) {
  Json out = Json::object();
  out["ordinal"] = point.ordinal;
  put_text(out, "step", point.step);
  put_text(out, "label", point.label);
  Json at = Json::object();
  for (const auto& [key, value] : point.at) at[valid_utf8(key)] = number_or_null(value);
  if (!at.empty()) out["at"] = std::move(at);
  out["started"] = exact_time(point.started);
  out["finished"] = exact_time(point.finished);
  if (point.attempts != 1) out["attempts"] = point.attempts;
  Json readings = Json::array();
  for (const Reading& reading : point.readings) readings.push_back(json_of(reading));
  out["readings"] = std::move(readings);
  if (point.excerpt) out["excerpt"] = json_of(*point.excerpt);
  Json notes = Json::array();
  for (const std::string& note : point.notes) notes.push_back(valid_utf8(note));
  if (!notes.empty()) out["notes"] = std::move(notes);
  return out;
}

Json json_of(const Event& event) {
  Json out = Json::object();
  out["time"] = exact_time(event.time);
  out["severity"] = word(event.severity);
  put_text(out, "id", event.id);
  put_text(out, "text", event.text);
  return out;
}

Json json_of(const Header& header) {
  Json out = Json::object();
  out["run_id"] = valid_utf8(header.run_id);
  out["board"] = valid_utf8(header.board);
  put_text(out, "board_type", header.board_type);
  put_text(out, "board_type_title", header.board_type_title);
  put_text(out, "script", header.script);
  put_text(out, "script_file", header.script_file);
  put_text(out, "script_sha256", header.script_sha256);
  put_text(out, "bench", header.bench);
  put_text(out, "bench_kind", header.bench_kind);
  put_text(out, "person", header.person);
  put_text(out, "program_version", header.program_version);
  out["started"] = exact_time(header.started);
  out["planned_points"] = header.planned_points;
  Json parameters = Json::object();
  for (const auto& [key, value] : header.parameters)
    parameters[valid_utf8(key)] = valid_utf8(value);
  if (!parameters.empty()) out["parameters"] = std::move(parameters);
  Json instruments = Json::array();
  for (const Instrument& each : header.instruments) instruments.push_back(json_of(each));
  if (!instruments.empty()) out["instruments"] = std::move(instruments);
  put_text(out, "script_text", header.script_text);
  put_text(out, "board_type_text", header.board_type_text);
  return out;
}

Json json_of(const Run& run) {
  Json out = Json::object();
  out["results"] = kResultsFormat;
  out["verdict"] = word(verdict(run));
  out["outcome"] = word(run.outcome);
  put_text(out, "outcome_text", run.outcome_text);
  if (run.finished) out["finished"] = exact_time(*run.finished);
  out["header"] = json_of(run.header);
  Json points = Json::array();
  for (const Point& point : run.points) points.push_back(json_of(point));
  out["points"] = std::move(points);
  Json events = Json::array();
  for (const Event& event : run.events) events.push_back(json_of(event));
  if (!events.empty()) out["events"] = std::move(events);
  return out;
}

std::string json_text(const Point& point) {
  return json_of(point).dump();
}
std::string json_text(const Event& event) {
  return json_of(event).dump();
}
std::string json_text(const Header& header) {
  return json_of(header).dump();
}

std::string json_text(const Run& run) {
  // Indented by hand at the top, one line for each point: a file of a night stays readable and
  // small.
  Json shell = json_of(run);
  const Json points = std::move(shell["points"]);
  shell["points"] = Json::array();
  std::string text = shell.dump(2);
  const std::string empty = "\"points\": []";
  // Inside a string the quote would stand escaped, so the first match is the member itself.
  const std::size_t at = text.find(empty);
  std::string list = "\"points\": [";
  for (std::size_t i = 0; i < points.size(); ++i) {
    list += i == 0 ? "\n    " : ",\n    ";
    list += points[i].dump();
  }
  if (!points.empty()) list += "\n  ";
  text.replace(at, empty.size(), list + "]");
  return text + "\n";
}

}  // namespace nightbench::record
