#include <algorithm>
#include <nlohmann/json.hpp>

#include "daemon/http/api.hpp"
#include "daemon/http/server.hpp"
#include "daemon/service/forms.hpp"
#include "drivers/base/time_text.hpp"
#include "sequences/record/json_form.hpp"
#include "sequences/report/correction.hpp"
#include "sequences/report/csv.hpp"
#include "sequences/report/junit.hpp"
#include "sequences/report/response_report.hpp"

namespace nightbench::http {

using Json = nlohmann::ordered_json;
using service::Shelf;

namespace {

constexpr std::size_t kMostRuns = 5000;
constexpr std::uint64_t kMostPoints = 2000;

// The report's own styles and scripts, and nothing else: it stands alone, without our origin.
constexpr const char* kReportPolicy =
    "sandbox allow-scripts allow-modals; default-src 'none'; style-src 'unsafe-inline'; "
    "script-src 'unsafe-inline'; img-src data:";

std::string text_of(const Json& body) {
  return body.dump(-1, ' ', false, Json::error_handler_t::replace) + "\n";
}

std::uint64_t number_in(const Target& target, const std::string& key, std::uint64_t otherwise) {
  const auto found = target.query.find(key);
  if (found == target.query.end()) return otherwise;
  if (found->second == "0") return 0;
  const auto value = id_of(found->second);
  return value ? static_cast<std::uint64_t>(*value) : otherwise;
}

std::string text_in(const Target& target, const std::string& key) {
  const auto found = target.query.find(key);
  return found == target.query.end() ? std::string() : found->second;
}

// One line a board: its latest run, how many there are, and the first complete one of the same
// script to compare with.
Result<std::string> boards_text(Shelf& shelf) {
  store::Filter filter;
  filter.most = kMostRuns;
  TRY_ASSIGN(const auto all, shelf.journal->runs(filter));
  Json list = Json::array();
  std::map<std::string, std::size_t> rows;
  std::vector<std::size_t> counts;
  std::vector<const store::RunSummary*> latest;
  std::vector<const store::RunSummary*> baseline;
  for (const store::RunSummary& run : all) {  // newest first
    const auto [row, is_new] = rows.try_emplace(run.board, latest.size());
    if (is_new) {
      latest.push_back(&run);
      counts.push_back(0);
      baseline.push_back(nullptr);
    }
    const std::size_t n = row->second;
    ++counts[n];
    const bool comparable = run.script == latest[n]->script && &run != latest[n] &&
                            run.outcome == record::Outcome::complete;
    if (comparable) baseline[n] = &run;
  }
  for (std::size_t n = 0; n < latest.size(); ++n) {
    Json each = service::json_of(*latest[n]);
    each["runs"] = counts[n];
    if (baseline[n] != nullptr) each["baseline"] = baseline[n]->run_id;
    list.push_back(std::move(each));
  }
  Json out = Json::object();
  out["boards"] = std::move(list);
  return text_of(out);
}

Json json_of(const service::Figure& figure) {
  Json out{{"label", figure.label}, {"quantity", figure.quantity}, {"title", figure.title}};
  if (!figure.unit.empty()) out["unit"] = figure.unit;
  if (figure.value) out["value"] = *figure.value;
  if (figure.expanded_u != 0) out["expanded_u"] = figure.expanded_u;
  if (figure.lower) out["lower"] = *figure.lower;
  if (figure.upper) out["upper"] = *figure.upper;
  out["decision"] = figure.decision;
  return out;
}

Json json_of(const std::vector<service::Figure>& figures) {
  Json out = Json::array();
  for (const service::Figure& figure : figures) out.push_back(json_of(figure));
  return out;
}

Result<std::string> figures_text(Shelf& shelf, const std::string& id) {
  TRY_ASSIGN(const auto* const figures, service::figures_of(shelf, id));
  Json out{{"run", id}};
  out["figures"] = json_of(*figures);
  return text_of(out);
}

// The worst reading of each quantity of each board's latest complete run of one script.
Result<std::string> batch_text(Shelf& shelf, std::string script) {
  store::Filter filter;
  filter.outcome = record::Outcome::complete;
  filter.most = kMostRuns;
  TRY_ASSIGN(const auto all, shelf.journal->runs(filter));
  if (script.empty() && !all.empty()) script = all.front().script;
  Json list = Json::array();
  std::vector<std::string> scripts;
  std::map<std::string, bool> seen;
  for (const store::RunSummary& run : all) {
    if (std::find(scripts.begin(), scripts.end(), run.script) == scripts.end()) {
      scripts.push_back(run.script);
    }
    if (run.script != script || !seen.emplace(run.board, true).second) continue;
    TRY_ASSIGN(const auto* const figures, service::figures_of(shelf, run.run_id));
    Json each{{"board", run.board},
              {"run", run.run_id},
              {"verdict", record::word(run.verdict)},
              {"started", exact_time(run.started)}};
    each["figures"] = json_of(*figures);
    list.push_back(std::move(each));
  }
  Json out{{"script", script}, {"scripts", scripts}};
  out["boards"] = std::move(list);
  return text_of(out);
}

struct Stretch {
  std::string run;
  std::uint64_t from = 0, most = kMostPoints, every = 1;
  bool excerpts = false;
};

Result<std::string> points_text(Shelf& shelf, const Stretch& wanted) {
  Json list = Json::array();
  std::uint64_t next = 0;
  bool more = false;
  TRY(shelf.journal->for_each_point(
      wanted.run,
      [&](const record::Point& point) {
        if (list.size() >= wanted.most) {
          more = true;
          return false;
        }
        next = point.ordinal + 1;
        if (wanted.every > 1 && point.ordinal % wanted.every != 0) return true;
        record::Point shown = point;
        if (!wanted.excerpts) shown.excerpt.reset();
        list.push_back(record::json_of(shown));
        return true;
      },
      wanted.from));
  Json out{{"run", wanted.run}};
  out["points"] = std::move(list);
  if (more) out["next"] = next;
  return text_of(out);
}

Result<std::string> run_text(Shelf& shelf, const std::string& id) {
  TRY_ASSIGN(const record::Run run, shelf.journal->load_without_points(id));
  Json out = record::json_of(run.header);
  out.erase("script_text");
  out.erase("board_type_text");
  out["outcome"] = record::word(run.outcome);
  if (!run.outcome_text.empty()) out["detail"] = run.outcome_text;
  if (run.finished) out["finished"] = exact_time(*run.finished);
  TRY_ASSIGN(const auto ordinals, shelf.journal->measured(id));
  out["points"] = ordinals.size();
  Json& events = out["events"] = Json::array();
  for (const record::Event& event : run.events) events.push_back(record::json_of(event));
  return text_of(out);
}

Result<std::string> board_type_text(Shelf& shelf, const std::string& id) {
  TRY_ASSIGN(const record::Run run, shelf.journal->load_without_points(id));
  TRY_ASSIGN(const json::Node root,
             json::parse(run.header.board_type_text, "board type of run " + id));
  TRY_ASSIGN(const script::BoardType type,
             script::decode_board_type(root, run.header.board_type_text));
  return text_of(service::json_of(type));
}

}  // namespace

Awaitable<Response> Api::from_store(service::ReadRoom::Work work, std::string type) {
  auto text = co_await rooms_.room.read(std::move(work));
  if (!text) {
    Response response = error_response(text.error());
    if (text.error().message.starts_with("there is no run")) response.status = 404;
    co_return response;
  }
  Response response;
  response.type = std::move(type);
  response.body = *std::move(text);
  co_return response;
}

Awaitable<Response> Api::boards(Call) {
  service::ReadRoom::Work work = [](Shelf& shelf) { return boards_text(shelf); };
  co_return co_await from_store(std::move(work), "application/json");
}

Awaitable<Response> Api::batch(Call call) {
  service::ReadRoom::Work work = [script = text_in(call.request.target, "script")](Shelf& shelf) {
    return batch_text(shelf, script);
  };
  co_return co_await from_store(std::move(work), "application/json");
}

Awaitable<Response> Api::runs(Call call) {
  const Target& target = call.request.target;
  store::Filter filter;
  filter.board = text_in(target, "board");
  filter.script = text_in(target, "script");
  filter.most = std::clamp<std::uint64_t>(number_in(target, "most", 200), 1, kMostRuns);
  service::ReadRoom::Work work = [filter](Shelf& shelf) -> Result<std::string> {
    TRY_ASSIGN(const auto all, shelf.journal->runs(filter));
    Json list = Json::array();
    for (const store::RunSummary& run : all) list.push_back(service::json_of(run));
    Json out = Json::object();
    out["runs"] = std::move(list);
    return text_of(out);
  };
  co_return co_await from_store(std::move(work), "application/json");
}

Awaitable<Response> Api::run(Call call) {
  service::ReadRoom::Work work = [id = call.arguments[0]](Shelf& shelf) {
    return run_text(shelf, id);
  };
  co_return co_await from_store(std::move(work), "application/json");
}

Awaitable<Response> Api::points(Call call) {
  const Target& target = call.request.target;
  Stretch wanted;
  wanted.run = call.arguments[0];
  wanted.from = number_in(target, "from", 0);
  wanted.most = std::clamp<std::uint64_t>(number_in(target, "most", kMostPoints), 1, kMostPoints);
  wanted.every = std::max<std::uint64_t>(1, number_in(target, "every", 1));
  wanted.excerpts = text_in(target, "excerpts") == "yes";
  service::ReadRoom::Work work = [wanted](Shelf& shelf) { return points_text(shelf, wanted); };
  co_return co_await from_store(std::move(work), "application/json");
}

Awaitable<Response> Api::board_type(Call call) {
  service::ReadRoom::Work work = [id = call.arguments[0]](Shelf& shelf) {
    return board_type_text(shelf, id);
  };
  co_return co_await from_store(std::move(work), "application/json");
}

Awaitable<Response> Api::figures(Call call) {
  service::ReadRoom::Work work = [id = call.arguments[0]](Shelf& shelf) {
    return figures_text(shelf, id);
  };
  co_return co_await from_store(std::move(work), "application/json");
}

Awaitable<Response> Api::report(Call call) {
  service::ReadRoom::Work work = [id = call.arguments[0]](Shelf& shelf) -> Result<std::string> {
    TRY_ASSIGN(const record::Run run, shelf.journal->load(id));
    return report::response_report_html(run);
  };
  Response response = co_await from_store(std::move(work), "text/html; charset=utf-8");
  if (response.status == 200) {
    response.fields.emplace_back("Content-Security-Policy", kReportPolicy);
  } else {
    response.type = "application/json";
  }
  co_return response;
}

Awaitable<Response> Api::results(Call call) {
  service::ReadRoom::Work work = [id = call.arguments[0]](Shelf& shelf) -> Result<std::string> {
    TRY_ASSIGN(const record::Run run, shelf.journal->load(id));
    return record::json_text(run);
  };
  co_return co_await from_store(std::move(work), "application/json");
}

Awaitable<Response> Api::readings(Call call) {
  service::ReadRoom::Work work = [id = call.arguments[0]](Shelf& shelf) -> Result<std::string> {
    TRY_ASSIGN(const record::Run run, shelf.journal->load(id));
    return report::readings_csv(run);
  };
  co_return co_await from_store(std::move(work), "text/csv; charset=utf-8");
}

Awaitable<Response> Api::correction(Call call) {
  service::ReadRoom::Work work = [id = call.arguments[0]](Shelf& shelf) -> Result<std::string> {
    TRY_ASSIGN(const record::Run run, shelf.journal->load(id));
    return report::correction_json(run);
  };
  co_return co_await from_store(std::move(work), "application/json");
}

Awaitable<Response> Api::junit(Call call) {
  service::ReadRoom::Work work = [id = call.arguments[0]](Shelf& shelf) -> Result<std::string> {
    TRY_ASSIGN(record::Run run, shelf.journal->load(id));
    std::vector<record::Run> all;
    all.push_back(std::move(run));
    return report::junit_xml(all);
  };
  co_return co_await from_store(std::move(work), "application/xml");
}

}  // namespace nightbench::http
