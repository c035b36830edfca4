#include "daemon/service/forms.hpp"

#include <cmath>
#include <nlohmann/json.hpp>

#include "drivers/base/time_text.hpp"
#include "sequences/record/json_form.hpp"
#include "sequences/record/text.hpp"

namespace nightbench::service {

using Json = nlohmann::ordered_json;
using record::printable;

namespace {

constexpr std::size_t kLongestName = 100;
constexpr std::size_t kLongestFile = 1U << 20U;

void put(Json& out, const char* key, const std::string& text) {
  if (!text.empty()) out[key] = printable(text);
}

Json bound_of(const script::Bound& bound) {
  Json out = Json::array();
  for (const script::Bound::Corner& corner : bound.corners) {
    if (bound.constant)
      out.push_back({nullptr, corner.value});
    else
      out.push_back({corner.frequency_hz, corner.value});
  }
  return out;
}

void put_place(Json& out, const std::optional<script::Place>& place) {
  if (place) out["place_mm"] = Json::array({place->x_mm, place->y_mm});
}

Result<std::string> short_text(json::Fields& fields, const std::string& key,
                               std::optional<std::string> otherwise = {}) {
  TRY_ASSIGN(std::string text, fields.text(key, std::move(otherwise)));
  if (text.size() > kLongestName || printable(text) != text ||
      text.find_first_of("\n\t") != std::string::npos) {
    TRY_ASSIGN(const json::Node node, fields.need(key));
    return node.wrong("one line of at most " + std::to_string(kLongestName) + " bytes");
  }
  return text;
}

Result<std::string> file_text(json::Fields& fields, const std::string& key) {
  TRY_ASSIGN(std::string text, fields.text(key, ""));
  if (text.size() > kLongestFile) {
    TRY_ASSIGN(const json::Node node, fields.need(key));
    return node.refuse("is larger than 1 MiB");
  }
  return text;
}

Result<std::optional<WallTime>> time_of(json::Fields& fields, const std::string& key) {
  const auto node = fields.find(key);
  if (!node || node->raw().is_null()) return std::nullopt;
  TRY_ASSIGN(const std::string text, node->text());
  auto time = time_from(text);
  if (!time) return node->wrong("a time such as \"2026-11-25T22:00:00Z\"");
  return *time;
}

}  // namespace

Json json_of(const store::Entry& entry) {
  Json out = Json::object();
  out["id"] = entry.id;
  out["board"] = printable(entry.board);
  put(out, "board_type", entry.board_type);
  out["script"] = printable(entry.script);
  if (!entry.script_text.empty()) out["own_script"] = true;
  if (!entry.board_type_text.empty()) out["own_board_type"] = true;
  if (!entry.parameters.empty()) {
    Json& parameters = out["parameters"] = Json::object();
    for (const auto& [name, value] : entry.parameters) parameters[name] = printable(value);
  }
  put(out, "operator", entry.person);
  if (entry.in_place) out["in_place"] = true;
  if (entry.not_before) out["not_before"] = exact_time(*entry.not_before);
  if (entry.until) out["until"] = exact_time(*entry.until);
  out["state"] = store::word(entry.state);
  put(out, "detail", entry.detail);
  put(out, "run", entry.run_id);
  put(out, "verdict", entry.verdict);
  out["added"] = exact_time(entry.added);
  out["changed"] = exact_time(entry.changed);
  return out;
}

Json json_of(const OpenQuestion& question) {
  const engine::Prompt& prompt = question.prompt;
  Json out = Json::object();
  out["id"] = question.id;
  out["kind"] = prompt.kind == engine::PromptKind::move ? "move" : "question";
  put(out, "about", prompt.id);
  put(out, "title", prompt.title);
  put(out, "text", prompt.text);
  put(out, "doubt", prompt.doubt);
  put(out, "port", prompt.port);
  put(out, "test_point", prompt.test_point);
  put(out, "part", prompt.part);
  if (prompt.pin != 0) out["pin"] = prompt.pin;
  put(out, "drawing", prompt.drawing);
  Json& answers = out["answers"] = Json::array();
  for (const engine::Answer each : prompt.answers) answers.push_back(engine::word(each));
  out["powered"] = prompt.powered;
  out["asked"] = exact_time(question.asked);
  return out;
}

Json json_of(const engine::Progress& progress) {
  Json out = Json::object();
  out["done"] = progress.points_done;
  out["planned"] = progress.points_planned;
  out["elapsed_s"] = std::round(progress.elapsed_s * 1000) / 1000;
  if (progress.left_s >= 0) out["left_s"] = std::round(progress.left_s * 10) / 10;
  return out;
}

Json json_of(const store::RunSummary& run) {
  Json out = Json::object();
  out["run"] = printable(run.run_id);
  out["board"] = printable(run.board);
  out["board_type"] = printable(run.board_type);
  out["script"] = printable(run.script);
  out["bench"] = printable(run.bench);
  put(out, "operator", run.person);
  out["started"] = exact_time(run.started);
  if (run.finished) out["finished"] = exact_time(*run.finished);
  out["outcome"] = record::word(run.outcome);
  put(out, "detail", run.outcome_text);
  out["verdict"] = record::word(run.verdict);
  out["points"] = run.points;
  out["planned"] = run.planned_points;
  return out;
}

Json json_of(const Error& error) {
  Json out = Json::object();
  out["kind"] = name(error.kind);
  out["message"] = printable(error.message);
  put(out, "instrument", error.instrument);
  put(out, "command", error.command);
  put(out, "pointer", error.pointer);
  return out;
}

Json json_of(const bench::BenchFile& file, bench::Bench* open) {
  Json out = Json::object();
  out["bench"] = printable(file.name);
  out["kind"] = bench::name(file.kind);
  out["open"] = open != nullptr;
  Json& list = out["instruments"] = Json::array();
  for (const bench::InstrumentEntry& entry : file.instruments) {
    Json each = Json::object();
    each["name"] = printable(entry.name);
    each["role"] = instrument::name(entry.role);
    put(each, "dialect", entry.dialect);
    put(each, "resource", entry.resource);
    put(each, "calibrated", entry.calibrated);
    put(each, "calibration_due", entry.calibration_due);
    if (open != nullptr) {
      for (instrument::Instrument* live : open->all()) {
        if (live->name() != entry.name) continue;
        put(each, "identity", live->identity().text);
        each["resource"] = printable(live->session().resource());
      }
    }
    list.push_back(std::move(each));
  }
  Json& connections = out["connections"] = Json::array();
  for (const bench::Connection& connection : file.connections) {
    Json each{{"port", printable(bench::port_name(connection))}};
    if (connection.by_hand)
      each["by_hand"] = true;
    else
      each["at"] = printable(connection.at);
    if (connection.relay_channel) {
      each["via"] =
          printable(connection.relay_instrument) + "/" + std::to_string(*connection.relay_channel);
    }
    connections.push_back(std::move(each));
  }
  out["safe"] = {{"rf_level_most_dbm", file.safe.rf_level_most_dbm},
                 {"supply_voltage_most_v", file.safe.supply_voltage_most_v},
                 {"supply_current_most_a", file.safe.supply_current_most_a}};
  out["scope_match"] = {{"gain", file.uncertainty.scope_gain_match},
                        {"skew_s", file.uncertainty.scope_skew_s}};
  return out;
}

Json json_of(const script::BoardType& type) {
  Json out = Json::object();
  out["board_type"] = printable(type.name);
  out["title"] = printable(type.title);
  out["band_hz"] = Json::array({type.band_from_hz, type.band_to_hz});
  if (type.bring_up.outline.width_mm > 0) {
    out["outline_mm"] =
        Json::array({type.bring_up.outline.width_mm, type.bring_up.outline.height_mm});
  }
  Json& parts = out["parts"] = Json::object();
  for (const auto& [id, part] : type.bring_up.parts) {
    Json& each = parts[printable(id)] = Json::object();
    put(each, "title", part.title);
    put(each, "package", part.package);
    each["pins"] = part.pins;
    each["mark"] = script::word(part.mark);
    each["rotation_deg"] = part.rotation_deg;
    put_place(each, part.place);
  }
  Json& points = out["test_points"] = Json::object();
  for (const auto& [id, point] : type.test_points) {
    Json& each = points[printable(id)] = Json::object();
    put(each, "title", point.title);
    put(each, "part", point.part);
    if (point.pin != 0) each["pin"] = point.pin;
    put_place(each, point.place);
  }
  Json& limits = out["limits"] = Json::object();
  for (const auto& [quantity, limit] : type.limits) {
    Json& each = limits[printable(quantity)] = Json::object();
    each["unit"] = limit.unit;
    if (limit.lower) each["lower"] = bound_of(*limit.lower);
    if (limit.upper) each["upper"] = bound_of(*limit.upper);
  }
  Json& cautions = out["cautions"] = Json::array();
  for (const std::string& each : type.cautions) cautions.push_back(printable(each));
  return out;
}

Result<store::Entry> entry_from(const json::Node& node) {
  TRY_ASSIGN(json::Fields fields, json::Fields::of(node, "a queue entry"));
  store::Entry entry;
  TRY_ASSIGN(entry.board, short_text(fields, "board"));
  TRY_ASSIGN(entry.script, short_text(fields, "script"));
  if (entry.board.empty() || entry.script.empty()) {
    return node.refuse("\"board\" and \"script\" must not be empty");
  }
  TRY_ASSIGN(entry.board_type, short_text(fields, "board_type", ""));
  TRY_ASSIGN(entry.script_text, file_text(fields, "script_text"));
  TRY_ASSIGN(entry.board_type_text, file_text(fields, "board_type_text"));
  TRY_ASSIGN(entry.person, short_text(fields, "operator", ""));
  TRY_ASSIGN(entry.in_place, fields.boolean("in_place", false));
  TRY_ASSIGN(entry.not_before, time_of(fields, "not_before"));
  TRY_ASSIGN(entry.until, time_of(fields, "until"));
  TRY_ASSIGN(const bool held, fields.boolean("held", false));
  if (held) entry.state = store::EntryState::held;
  if (const auto given = fields.find("parameters")) {
    TRY_ASSIGN(const auto members, given->members());
    for (const auto& [name, value] : members) {
      if (value.is_string()) {
        TRY_ASSIGN(entry.parameters[name], value.text());
      } else if (value.is_number() || value.raw().is_boolean()) {
        entry.parameters[name] = value.raw().dump();
      } else {
        return value.wrong("a text, a number or true/false");
      }
    }
  }
  if (entry.not_before && entry.until && *entry.until <= *entry.not_before) {
    return node.refuse("\"until\" must be later than \"not_before\"");
  }
  TRY(fields.finish());
  return entry;
}

}  // namespace nightbench::service
