#include "sequences/diagnosis/template_values.hpp"

#include <nlohmann/json.hpp>

namespace nightbench::diagnosis {
namespace {

using Json = nlohmann::json;

Result<const Json*> value_of(const Json& row, const std::string& name) {
  const auto found = row.find(name);
  if (found != row.end()) return &*found;
  return fail(ErrorKind::bad_input, "\"each\" gives no value to $" + name);
}

Result<Json> text_with(const std::string& text, const Json& row) {
  if (text.size() > 1 && text[0] == '$' && text[1] != '{') {
    TRY_ASSIGN(const Json* value, value_of(row, text.substr(1)));
    return *value;
  }
  std::string out;
  for (std::size_t at = 0; at < text.size();) {
    const std::size_t start = text.find("${", at);
    const std::size_t end = start == std::string::npos ? start : text.find('}', start);
    if (end == std::string::npos) return Json(out + text.substr(at));
    TRY_ASSIGN(const Json* value, value_of(row, text.substr(start + 2, end - start - 2)));
    out += text.substr(at, start - at);
    out += value->is_string() ? value->get<std::string>() : value->dump();
    at = end + 1;
  }
  return Json(out);
}

}  // namespace

Result<Json> put_in(const Json& entry, const Json& row) {
  if (entry.is_string()) return text_with(entry.get<std::string>(), row);
  if (entry.is_array()) {
    Json out = Json::array();
    for (const Json& each : entry) {
      TRY_ASSIGN(Json one, put_in(each, row));
      out.push_back(std::move(one));
    }
    return out;
  }
  if (entry.is_object()) {
    Json out = Json::object();
    for (const auto& [key, each] : entry.items()) {
      TRY_ASSIGN(out[key], put_in(each, row));
    }
    return out;
  }
  return entry;
}

}  // namespace nightbench::diagnosis
