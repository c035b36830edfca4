#include "daemon/http/api.hpp"

#include <spdlog/spdlog.h>

#include <nlohmann/json.hpp>

#include "daemon/http/server.hpp"
#include "daemon/page/page_files.hpp"
#include "daemon/service/forms.hpp"
#include "drivers/base/time_text.hpp"
#include "sequences/record/json_form.hpp"

namespace nightbench::http {

using Json = nlohmann::ordered_json;

namespace {

constexpr const char* kPagePolicy =
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; form-action 'none'; base-uri 'none'; frame-ancestors 'none'";

int status_of(const Error& error) {
  switch (error.kind) {
    case ErrorKind::bad_input:
      return 400;
    case ErrorKind::storage:
      return 503;
    case ErrorKind::cancelled:
      return 409;
    default:
      return 500;
  }
}

Response plain(std::string text, int status = 200) {
  Response response;
  response.status = status;
  response.type = "text/plain; charset=utf-8";
  response.body = std::move(text);
  return response;
}

Response not_here(int status, const char* message) {
  Error error;
  error.kind = ErrorKind::bad_input;
  error.message = message;
  Response response = error_response(error);
  response.status = status;
  return response;
}

std::vector<std::string_view> split(std::string_view pattern) {
  std::vector<std::string_view> out;
  while (!pattern.empty()) {
    pattern.remove_prefix(1);  // the slash
    const std::size_t end = std::min(pattern.find('/'), pattern.size());
    out.push_back(pattern.substr(0, end));
    pattern.remove_prefix(end);
  }
  return out;
}

std::optional<std::vector<std::string>> match(std::string_view pattern,
                                              const std::vector<std::string>& path) {
  const auto segments = split(pattern);
  if (segments.size() != path.size()) return std::nullopt;
  std::vector<std::string> arguments;
  for (std::size_t n = 0; n < path.size(); ++n) {
    if (segments[n].front() == '{')
      arguments.push_back(path[n]);
    else if (segments[n] != path[n])
      return std::nullopt;
  }
  return arguments;
}

bool is_page(const Request& request) {
  const auto& path = request.target.path;
  return path.empty() || path.front() == "page" || path.front() == "favicon.ico";
}

}  // namespace

Response json_response(const Json& body, int status) {
  Response response;
  response.status = status;
  response.body = body.dump(-1, ' ', false, Json::error_handler_t::replace) + "\n";
  return response;
}

Response error_response(const Error& error) {
  return json_response({{"error", service::json_of(error)}}, status_of(error));
}

std::optional<std::int64_t> id_of(const std::string& text) {
  if (text.empty() || text.size() > 16 || text.front() == '0') return std::nullopt;
  std::int64_t out = 0;
  for (const char c : text) {
    if (c < '0' || c > '9') return std::nullopt;
    out = out * 10 + (c - '0');
  }
  return out;
}

Result<json::Node> json_body(const Request& request) {
  const std::string type = request.field("content-type");
  if (!type.starts_with("application/json")) {
    return fail(ErrorKind::bad_input, "the body must be of type application/json");
  }
  return json::parse(request.body, "the request");
}

Api::Api(Rooms rooms) : rooms_(std::move(rooms)) {}

bool Api::open_to_all(const Request& request) {
  const auto& path = request.target.path;
  return is_page(request) || (path.size() == 2 && path[0] == "v1" && path[1] == "session");
}

const std::vector<Api::Route>& Api::routes() {
  static const std::vector<Route> kRoutes{
      {"GET", "/healthz", &Api::health},
      {"GET", "/metrics", &Api::metrics},
      {"GET", "/v1/now", &Api::now},
      {"GET", "/v1/events", &Api::events},
      {"GET", "/v1/bench", &Api::bench},
      {"GET", "/v1/library", &Api::library},
      {"POST", "/v1/session", &Api::session},
      {"GET", "/v1/question", &Api::question},
      {"POST", "/v1/questions/{id}/answer", &Api::answer},
      {"GET", "/v1/queue", &Api::queue_list},
      {"POST", "/v1/queue", &Api::queue_add},
      {"GET", "/v1/queue/{id}", &Api::queue_one},
      {"POST", "/v1/queue/{id}/hold", &Api::queue_hold},
      {"POST", "/v1/queue/{id}/release", &Api::queue_release},
      {"POST", "/v1/queue/{id}/cancel", &Api::queue_cancel},
      {"POST", "/v1/queue/{id}/move", &Api::queue_move},
      {"GET", "/v1/boards", &Api::boards},
      {"GET", "/v1/batch", &Api::batch},
      {"GET", "/v1/runs", &Api::runs},
      {"GET", "/v1/runs/{run}", &Api::run},
      {"GET", "/v1/runs/{run}/points", &Api::points},
      {"GET", "/v1/runs/{run}/board-type", &Api::board_type},
      {"GET", "/v1/runs/{run}/figures", &Api::figures},
      {"GET", "/v1/runs/{run}/report", &Api::report},
      {"GET", "/v1/runs/{run}/results", &Api::results},
      {"GET", "/v1/runs/{run}/readings", &Api::readings},
      {"GET", "/v1/runs/{run}/junit", &Api::junit},
      {"GET", "/v1/runs/{run}/correction", &Api::correction},
  };
  return kRoutes;
}

Awaitable<Response> Api::handle(Request request) {
  Response response;
  try {
    response = co_await dispatch(std::move(request));
  } catch (const std::exception& bug) {
    spdlog::error("a bug in the program, please report it: {}", bug.what());
    response = not_here(500, "a bug in the program; its log has more");
  }
  co_return response;
}

Awaitable<Response> Api::dispatch(Request request) {
  const std::string method = request.method == "HEAD" ? "GET" : request.method;
  if (method != "GET" && method != "POST") {
    Response response = not_here(405, "only GET, HEAD and POST are served");
    response.fields.emplace_back("Allow", "GET, HEAD, POST");
    co_return response;
  }
  if (is_page(request)) {
    if (method == "GET") co_return co_await page_file(std::move(request));
    co_return not_here(405, "the page is only read");
  }
  std::string allowed;
  for (const Route& route : routes()) {
    auto arguments = match(route.pattern, request.target.path);
    if (!arguments) continue;
    if (route.method == method) {
      Call call{std::move(request), std::move(*arguments)};
      co_return co_await (this->*route.act)(std::move(call));
    }
    allowed =
        allowed.empty() ? std::string(route.method) : allowed + ", " + std::string(route.method);
  }
  if (allowed.empty()) co_return not_here(404, "there is nothing at this address");
  Response response = not_here(405, "this address takes another method");
  response.fields.emplace_back("Allow", allowed);
  co_return response;
}

Awaitable<Response> Api::page_file(Request request) {
  const auto& path = request.target.path;
  if (!path.empty() && path.front() == "favicon.ico") co_return plain("", 204);
  const std::string name = path.empty() ? "index.html" : path.size() == 2 ? path[1] : "";
  const page::PageFile* const file = page::find(name);
  if (file == nullptr) co_return not_here(404, "the page has no such file");
  Response response;
  response.type = file->type;
  response.fields = {{"Content-Security-Policy", kPagePolicy},
                     {"Cache-Control", "no-cache"},
                     {"Cross-Origin-Opener-Policy", "same-origin"},
                     {"ETag", std::string(file->tag)}};
  if (request.field("if-none-match") == file->tag) {
    response.status = 304;
    co_return response;
  }
  response.body = file->text;
  co_return response;
}

Awaitable<Response> Api::health(Call) {
  const service::Phase phase = rooms_.worker.phase();
  const bool going = phase != service::Phase::stopping && phase != service::Phase::stopped;
  if (!going) co_return plain("stopping\n", 503);
  co_return plain(rooms_.worker.trouble().empty()
                      ? std::string("ok\n")
                      : "ok, but the bench cannot be opened: " + rooms_.worker.trouble() + "\n");
}

Awaitable<Response> Api::metrics(Call) {
  Response response = plain(metrics_text(rooms_));
  response.type = "text/plain; version=0.0.4; charset=utf-8";
  co_return response;
}

Awaitable<Response> Api::now(Call) {
  Json out{{"version", rooms_.version},
           {"started", exact_time(rooms_.started)},
           {"time", exact_time(rooms_.clock.wall())},
           {"phase", service::word(rooms_.worker.phase())}};
  if (!rooms_.worker.trouble().empty()) out["trouble"] = rooms_.worker.trouble();
  out["entry"] = nullptr;
  if (const auto id = rooms_.worker.entry()) {
    const auto entry = rooms_.queue.find(*id);
    if (entry) out["entry"] = service::json_of(*entry);
  }
  out["run"] = rooms_.live.snapshot();
  out["question"] = nullptr;
  if (rooms_.person.open()) out["question"] = service::json_of(*rooms_.person.open());
  out["last_event"] = rooms_.events.last();
  co_return json_response(out);
}

Awaitable<Response> Api::events(Call call) {
  std::string after = call.request.field("last-event-id");
  if (after.empty() && call.request.target.query.contains("after")) {
    after = call.request.target.query["after"];
  }
  Response response;
  response.events_after = rooms_.events.last();
  if (after == "0") response.events_after = 0;
  if (const auto id = id_of(after)) response.events_after = static_cast<std::uint64_t>(*id);
  // An id of a process before this one: from its start.
  if (*response.events_after > rooms_.events.last()) response.events_after = 0;
  co_return response;
}

Awaitable<Response> Api::bench(Call) {
  const auto file = rooms_.house.read();
  if (!file) co_return error_response(file.error());
  Json out = service::json_of(*file, rooms_.house.bench());
  if (!rooms_.worker.trouble().empty()) out["trouble"] = rooms_.worker.trouble();
  out["failures"] = rooms_.worker.bench_failures();
  co_return json_response(out);
}

Awaitable<Response> Api::library(Call) {
  const auto library = rooms_.library();
  if (!library) co_return error_response(library.error());
  Json out = Json::object();
  for (const auto& [key, items] :
       {std::pair{"scripts", &library->scripts}, std::pair{"board_types", &library->board_types}}) {
    Json& list = out[key] = Json::array();
    for (const LibraryItem& item : *items) {
      Json each{{"name", item.name}, {"title", item.title}};
      if (!item.parameters.empty()) each["parameters"] = item.parameters;
      list.push_back(std::move(each));
    }
  }
  co_return json_response(out);
}

Awaitable<Response> Api::session(Call call) {
  const auto body = json_body(call.request);
  if (!body) co_return error_response(body.error());
  std::string token;
  if (body->raw().is_object() && body->raw().contains("token") &&
      body->raw()["token"].is_string()) {
    token = body->raw()["token"].get<std::string>();
  }
  const auto session = rooms_.gate.open_session(token);
  if (!session) co_return not_here(401, "the token is not the one of this service");
  Response response = plain("", 204);
  response.fields.emplace_back(
      "Set-Cookie", kSessionCookie + "=" + *session + "; Path=/; HttpOnly; SameSite=Strict");
  co_return response;
}

Awaitable<Response> Api::question(Call) {
  Json out{{"question", nullptr}};
  if (rooms_.person.open()) out["question"] = service::json_of(*rooms_.person.open());
  co_return json_response(out);
}

namespace {

Result<engine::Reply> reply_from(const json::Node& node) {
  TRY_ASSIGN(json::Fields fields, json::Fields::of(node, "an answer"));
  TRY_ASSIGN(const std::string word, fields.text("answer"));
  engine::Reply reply;
  TRY_ASSIGN(reply.remark, fields.text("remark", ""));
  TRY(fields.finish());
  const auto answer = service::answer_from(word);
  if (!answer) return node.refuse("\"answer\" is one of yes, no, done, skip, redo, stop");
  reply.answer = *answer;
  return reply;
}

}  // namespace

Awaitable<Response> Api::answer(Call call) {
  const auto id = id_of(call.arguments[0]);
  if (!id) co_return not_here(404, "a question is named by its number");
  const auto body = json_body(call.request);
  if (!body) co_return error_response(body.error());
  const auto reply = reply_from(*body);
  if (!reply) co_return error_response(reply.error());
  const auto taken = rooms_.person.answer(static_cast<std::uint64_t>(*id), *reply);
  if (!taken) {
    Response response = error_response(taken.error());
    const bool open =
        rooms_.person.open() && rooms_.person.open()->id == static_cast<std::uint64_t>(*id);
    response.status = open ? 400 : 409;
    co_return response;
  }
  co_return plain("", 204);
}

}  // namespace nightbench::http
