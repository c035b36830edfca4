#include "daemon/guardian/order.hpp"

#include <array>
#include <nlohmann/json.hpp>

#include "drivers/base/json.hpp"

namespace nightbench::guardian {
namespace {

using Json = nlohmann::ordered_json;

std::string dump(const Json& value) {
  return value.dump(-1, ' ', true, Json::error_handler_t::replace);
}

ErrorKind kind_of(std::string_view word) {
  for (const ErrorKind each :
       {ErrorKind::timeout, ErrorKind::refused, ErrorKind::device, ErrorKind::bad_data,
        ErrorKind::bad_input, ErrorKind::storage, ErrorKind::unsafe, ErrorKind::cancelled}) {
    if (word == name(each)) return each;
  }
  return ErrorKind::internal;
}

Result<void> take(json::Fields& fields, const char* key, std::string* out) {
  TRY_ASSIGN(*out, fields.text(key, ""));
  return {};
}

Result<Error> decode_error(std::string_view text) {
  TRY_ASSIGN(const json::Node root, json::parse(text, "the guardian's answer"));
  TRY_ASSIGN(json::Fields fields, json::Fields::of(root, "an error"));
  Error out;
  TRY_ASSIGN(const std::string kind, fields.text("kind"));
  out.kind = kind_of(kind);
  TRY(take(fields, "message", &out.message));
  TRY(take(fields, "instrument", &out.instrument));
  TRY(take(fields, "command", &out.command));
  TRY(take(fields, "file", &out.file));
  TRY(take(fields, "pointer", &out.pointer));
  TRY(fields.finish());
  return out;
}

}  // namespace

std::string order_line(const Order& order) {
  Json out{{"bench", order.bench_file.string()},
           {"dialects", order.dialects.string()},
           {"resources", Json::object()},
           {"watchdog_ms", order.watchdog / std::chrono::milliseconds(1)},
           {"patience_ms", order.patience / std::chrono::milliseconds(1)},
           {"log", order.log.string()},
           {"parent", order.parent}};
  for (const auto& [instrument, resource] : order.resources) out["resources"][instrument] = resource;
  return "order " + dump(out);
}

Result<Order> read_order(std::string_view text) {
  constexpr long long kMost_ms = 86'400'000;
  TRY_ASSIGN(const json::Node root, json::parse(text, "the guardian's order"));
  TRY_ASSIGN(json::Fields fields, json::Fields::of(root, "an order"));
  Order out;
  TRY_ASSIGN(const std::string bench, fields.text("bench"));
  out.bench_file = bench;
  TRY_ASSIGN(const std::string dialects, fields.text("dialects"));
  out.dialects = dialects;
  TRY_ASSIGN(const json::Node resources, fields.need("resources"));
  TRY_ASSIGN(const auto members, resources.members());
  for (const auto& [instrument, value] : members) {
    TRY_ASSIGN(out.resources[instrument], value.text());
  }
  TRY_ASSIGN(const long long watchdog, fields.integer("watchdog_ms", 1, kMost_ms));
  out.watchdog = std::chrono::milliseconds(watchdog);
  TRY_ASSIGN(const long long patience, fields.integer("patience_ms", 0, kMost_ms));
  out.patience = std::chrono::milliseconds(patience);
  TRY_ASSIGN(const std::string log, fields.text("log", ""));
  out.log = log;
  TRY_ASSIGN(const long long parent, fields.integer("parent", 1, 1LL << 30));
  out.parent = static_cast<int>(parent);
  TRY(fields.finish());
  return out;
}

std::string refusal_line(const Error& error) {
  return "refused " + dump(Json{{"kind", name(error.kind)},
                                {"message", error.message},
                                {"instrument", error.instrument},
                                {"command", error.command},
                                {"file", error.file},
                                {"pointer", error.pointer}});
}

Error read_refusal(std::string_view text) {
  Result<Error> decoded = decode_error(text);
  return decoded ? *std::move(decoded) : std::move(decoded).error();
}

}  // namespace nightbench::guardian
