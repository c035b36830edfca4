#include <nlohmann/json.hpp>

#include "daemon/http/api.hpp"
#include "daemon/http/server.hpp"
#include "daemon/service/forms.hpp"

namespace nightbench::http {

using Json = nlohmann::ordered_json;

namespace {

Response entry_response(const Result<store::Entry>& entry, int status = 200) {
  if (entry) return json_response(service::json_of(*entry), status);
  Response response = error_response(entry.error());
  const std::string& message = entry.error().message;
  if (message.find("has no entry") != std::string::npos) response.status = 404;
  if (message.find("cannot become") != std::string::npos ||
      message.find("no place to change") != std::string::npos ||
      message.find("takes no more") != std::string::npos) {
    response.status = 409;
  }
  return response;
}

Result<std::int64_t> entry_id(const std::string& text) {
  if (const auto id = id_of(text)) return *id;
  return fail(ErrorKind::bad_input, "the queue has no entry \"" + text + "\"");
}

Result<std::optional<std::int64_t>> before_from(const json::Node& node) {
  TRY_ASSIGN(json::Fields fields, json::Fields::of(node, "a move"));
  TRY_ASSIGN(const json::Node before, fields.need("before"));
  TRY(fields.finish());
  if (before.raw().is_null()) return std::nullopt;
  TRY_ASSIGN(const long long id, before.integer(1, 1LL << 53));
  return id;
}

}  // namespace

Awaitable<Response> Api::queue_list(Call call) {
  std::size_t over = 100;
  if (const auto found = call.request.target.query.find("over");
      found != call.request.target.query.end()) {
    const auto wanted = id_of(found->second);
    over = wanted ? static_cast<std::size_t>(std::min<std::int64_t>(*wanted, 1000)) : 0;
  }
  const auto entries = rooms_.queue.list(over);
  if (!entries) co_return error_response(entries.error());
  Json list = Json::array();
  for (const store::Entry& entry : *entries) list.push_back(service::json_of(entry));
  Json out = Json::object();
  out["entries"] = std::move(list);
  co_return json_response(out);
}

Awaitable<Response> Api::queue_add(Call call) {
  const auto body = json_body(call.request);
  if (!body) co_return error_response(body.error());
  auto entry = service::entry_from(*body);
  if (!entry) co_return error_response(entry.error());
  // What cannot work is refused now, not in the middle of the night.
  const auto bench = rooms_.house.read();
  if (!bench) co_return error_response(bench.error());
  const auto plan = rooms_.plans(*entry, *bench);
  if (!plan) co_return error_response(plan.error());
  co_return entry_response(rooms_.queue.add(*std::move(entry)), 201);
}

Awaitable<Response> Api::queue_one(Call call) {
  const auto id = entry_id(call.arguments[0]);
  if (!id) co_return entry_response(std::unexpected(id.error()));
  co_return entry_response(rooms_.queue.find(*id));
}

Awaitable<Response> Api::queue_hold(Call call) {
  const auto id = entry_id(call.arguments[0]);
  if (!id) co_return entry_response(std::unexpected(id.error()));
  co_return entry_response(rooms_.queue.hold(*id));
}

Awaitable<Response> Api::queue_release(Call call) {
  const auto id = entry_id(call.arguments[0]);
  if (!id) co_return entry_response(std::unexpected(id.error()));
  co_return entry_response(rooms_.queue.release(*id));
}

Awaitable<Response> Api::queue_cancel(Call call) {
  const auto id = entry_id(call.arguments[0]);
  if (!id) co_return entry_response(std::unexpected(id.error()));
  if (rooms_.worker.entry() == *id) {
    const auto asked = rooms_.worker.cancel(*id);
    if (!asked) co_return error_response(asked.error());
    // It ends after the operation under way: 202, an event tells when.
    co_return entry_response(rooms_.queue.find(*id), 202);
  }
  co_return entry_response(rooms_.queue.cancel(*id));
}

Awaitable<Response> Api::queue_move(Call call) {
  const auto id = entry_id(call.arguments[0]);
  if (!id) co_return entry_response(std::unexpected(id.error()));
  const auto body = json_body(call.request);
  if (!body) co_return error_response(body.error());
  const auto before = before_from(*body);
  if (!before) co_return error_response(before.error());
  co_return entry_response(rooms_.queue.move(*id, *before));
}

}  // namespace nightbench::http
