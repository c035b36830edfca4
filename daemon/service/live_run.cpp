#include "daemon/service/live_run.hpp"

#include <cmath>
#include <nlohmann/json.hpp>

#include "daemon/service/forms.hpp"
#include "sequences/record/json_form.hpp"

namespace nightbench::service {

using Json = nlohmann::ordered_json;

namespace {

constexpr std::size_t kMostSamples = 500;

// Every n-th sample, as whole microvolts: small on the wire and finer than a screen shows.
Json thinned(const std::vector<float>& samples, std::size_t step) {
  Json out = Json::array();
  for (std::size_t n = 0; n < samples.size(); n += step) {
    if (std::isfinite(samples[n]))
      out.push_back(std::round(static_cast<double>(samples[n]) * 1e6) / 1e6);
    else
      out.push_back(nullptr);
  }
  return out;
}

Json trace_of(const record::Point& point) {
  const record::TraceExcerpt& excerpt = *point.excerpt;
  const std::size_t longest = std::max(excerpt.i_v.size(), excerpt.q_v.size());
  const std::size_t step = std::max<std::size_t>(1, (longest + kMostSamples - 1) / kMostSamples);
  return Json{{"ordinal", point.ordinal},
              {"dt_s", excerpt.dt_s * static_cast<double>(step)},
              {"i_v", thinned(excerpt.i_v, step)},
              {"q_v", thinned(excerpt.q_v, step)}};
}

bool needs_a_look(const record::Reading& reading) {
  switch (reading.decision) {
    case record::Decision::fail:
    case record::Decision::conditional_fail:
      return true;
    case record::Decision::no_reading:
      return reading.limit.lower || reading.limit.upper;
    default:
      return false;
  }
}

}  // namespace

void LiveRun::began(const record::Header& header) {
  header_ = header;
  // The texts of script and board type are in the store; here they would only take room.
  header_->script_text.clear();
  header_->board_type_text.clear();
  progress_ = engine::Progress{.points_planned = header.planned_points};
  label_.clear();
  trace_.clear();
  events_.publish("run-started", snapshot().dump());
}

void LiveRun::point(const record::Point& point, const engine::Progress& progress) {
  progress_ = progress;
  label_ = point.label;
  ++counts_.points;
  Json out = Json::object();
  out["run"] = header_ ? header_->run_id : "";
  out["progress"] = json_of(progress);
  record::Point without = point;
  without.excerpt.reset();
  out["point"] = record::json_of(without);
  events_.publish("point", out.dump());
  for (const record::Reading& reading : point.readings) {
    ++counts_.readings[record::word(reading.decision)];
    if (!needs_a_look(reading)) continue;
    Json each = record::json_of(reading);
    each["ordinal"] = point.ordinal;
    each["label"] = point.label;
    events_.publish("reading", each.dump());
  }
  if (point.excerpt) {
    trace_ = trace_of(point).dump();
    events_.publish("trace", trace_);
  }
}

void LiveRun::event(const record::Event& event) {
  ++counts_.events[record::word(event.severity)];
  events_.publish("note", record::json_of(event).dump());
}

void LiveRun::ended(record::Outcome outcome, const std::string& text) {
  ++counts_.runs[record::word(outcome)];
  Json out = Json::object();
  if (header_) {
    out["run"] = header_->run_id;
    out["board"] = header_->board;
  }
  out["entry"] = entry_;
  out["outcome"] = record::word(outcome);
  if (!text.empty()) out["detail"] = text;
  header_.reset();
  progress_.reset();
  events_.publish("finished",
                  out.dump(-1, ' ', false, nlohmann::ordered_json::error_handler_t::replace));
}

Json LiveRun::snapshot() const {
  if (!header_) return nullptr;
  Json out = Json::object();
  const Json header = record::json_of(*header_);
  out["run"] = header["run_id"];
  out["entry"] = entry_;
  for (const char* key : {"board", "board_type", "board_type_title", "script", "bench", "operator",
                          "person", "started", "parameters", "planned_points"}) {
    if (header.contains(key)) out[key] = header[key];
  }
  if (progress_) out["progress"] = json_of(*progress_);
  if (!label_.empty()) out["label"] = label_;
  if (!trace_.empty()) out["trace"] = Json::parse(trace_);
  return out;
}

}  // namespace nightbench::service
