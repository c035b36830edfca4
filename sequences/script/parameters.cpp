#include "sequences/script/parameters.hpp"

#include <nlohmann/json.hpp>

namespace nightbench::script {

using Json = nlohmann::json;

namespace {

Error at(const json::Node& root, std::string pointer, std::string message) {
  Error error;
  error.kind = ErrorKind::bad_input;
  error.file = root.file();
  error.pointer = std::move(pointer);
  error.message = std::move(message);
  return error;
}

Json setting_value(const std::string& text) {
  const Json parsed = Json::parse(text, nullptr, false);
  return parsed.is_number() || parsed.is_boolean() ? parsed : Json(text);
}

Result<void> replace(Json& value, const std::string& pointer, const json::Node& root,
                     const std::map<std::string, Json>& values) {
  if (value.is_string()) {
    const auto& text = value.get_ref<const std::string&>();
    if (text.size() < 2 || text.front() != '$') return {};
    const std::string name = text.substr(1);
    const auto found = values.find(name);
    if (found == values.end()) {
      std::vector<std::string> known;
      for (const auto& [each, ignored] : values) known.push_back(each);
      std::string message = "there is no parameter \"" + name + "\"";
      if (const auto close = json::nearest(name, known)) {
        message += "; did you mean \"" + *close + "\"?";
      }
      return fail(at(root, pointer, message));
    }
    value = found->second;
    return {};
  }
  if (value.is_object()) {
    for (auto& [key, child] : value.items()) {
      TRY(replace(child, pointer + "/" + key, root, values));
    }
  } else if (value.is_array()) {
    for (std::size_t i = 0; i < value.size(); ++i) {
      TRY(replace(value[i], pointer + "/" + std::to_string(i), root, values));
    }
  }
  return {};
}

}  // namespace

Result<Prepared> put_parameters(const json::Node& root,
                                const std::map<std::string, std::string>& settings) {
  Json whole = root.raw();
  std::map<std::string, Json> values;
  std::vector<std::string> names;
  if (whole.is_object() && whole.contains("parameters")) {
    const Json& declared = whole["parameters"];
    if (!declared.is_object()) {
      return fail(at(root, "/parameters", "expected an object of names and values"));
    }
    for (const auto& [name, value] : declared.items()) {
      if (value.is_object() || value.is_array() || value.is_null()) {
        return fail(at(root, "/parameters/" + name, "expected a number, a string or a boolean"));
      }
      values[name] = value;
      names.push_back(name);
    }
  }
  for (const auto& [name, text] : settings) {
    if (!values.contains(name)) {
      std::string message = "the script has no parameter \"" + name + "\" to set";
      if (const auto close = json::nearest(name, names)) {
        message += "; did you mean \"" + *close + "\"?";
      }
      return fail(at(root, "/parameters", message));
    }
    values[name] = setting_value(text);
  }
  Prepared prepared{root, {}};
  for (const auto& [name, value] : values) {
    prepared.parameters[name] = value.is_string() ? value.get<std::string>() : value.dump();
  }
  if (whole.is_object()) {
    for (auto& [key, child] : whole.items()) {
      if (key != "parameters") TRY(replace(child, "/" + key, root, values));
    }
  }
  prepared.root = json::from_value(std::move(whole), root.file());
  return prepared;
}

}  // namespace nightbench::script
