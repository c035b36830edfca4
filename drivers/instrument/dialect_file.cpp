// Decoding of dialect files.

#include <algorithm>
#include <system_error>

#include "drivers/base/json.hpp"
#include "drivers/instrument/dialect.hpp"
#include "drivers/instrument/identity_pattern.hpp"

namespace nightbench::instrument {
namespace {

using Commands = std::map<std::string, std::vector<std::string>, std::less<>>;

std::string listed(const std::vector<std::string>& words) {
  std::string out;
  for (const std::string& word : words) {
    if (!out.empty()) out += ", ";
    out += "{" + word + "}";
  }
  return out.empty() ? "none" : out;
}

Result<Duration> duration(json::Fields& fields, const std::string& key, Duration otherwise) {
  TRY_ASSIGN(const double value, fields.quantity(key, Unit::second, seconds(otherwise)));
  if (value < 0 || value > 3600) return (*fields.find(key)).wrong("a time from 0 to 1 hour");
  return from_seconds(value);
}

// One SCPI text of an operation: its placeholders are known, it asks when it should and only then.
Result<std::string> command_text(const json::Node& node, const Operation& operation) {
  TRY_ASSIGN(const std::string text, node.text());
  if (text.empty() || text.size() > 500) return node.wrong("a command of 1 to 500 characters");
  for (const char c : text) {
    if (c < ' ' || c > '~') return node.wrong("printable ASCII characters only");
  }
  for (std::size_t i = 0; i < text.size(); ++i) {
    if (text[i] == '}') return node.refuse("'}' without '{' before it");
    if (text[i] != '{') continue;
    const std::size_t end = text.find('}', i);
    if (end == std::string::npos) return node.refuse("'{' without '}' after it");
    const std::string word = text.substr(i + 1, end - i - 1);
    const auto& known = operation.placeholders;
    if (std::find(known.begin(), known.end(), word) == known.end()) {
      return node.refuse("unknown placeholder {" + word + "} in '" + operation.name +
                         "'; it may hold: " + listed(known));
    }
    i = end;
  }
  const bool asks = text.find('?') != std::string::npos;
  if (asks != operation.query) {
    return node.wrong(operation.query ? "a query, with '?'" : "a command that asks nothing");
  }
  return text;
}

Result<Commands> decode_commands(const json::Node& node, Role role) {
  if (!node.is_object()) return node.wrong("an object of operations");
  TRY_ASSIGN(const auto members, node.members());
  std::vector<std::string> names;
  for (const Operation& each : operations_of(role)) names.push_back(each.name);
  Commands out;
  for (const auto& [key, value] : members) {
    const auto& known = operations_of(role);
    const auto operation = std::find_if(known.begin(), known.end(),
                                        [&](const Operation& each) { return each.name == key; });
    if (operation == known.end()) {
      const auto meant = json::nearest(key, names);
      return value.refuse("unknown operation '" + key + "' of the role " + name(role) +
                          (meant ? "; did you mean '" + *meant + "'?" : ""));
    }
    std::vector<std::string>& texts = out[key];
    if (value.is_array()) {
      TRY_ASSIGN(const auto elements, value.elements(1));
      for (const json::Node& element : elements) {
        TRY_ASSIGN(std::string text, command_text(element, *operation));
        texts.push_back(std::move(text));
      }
    } else if (value.is_string()) {
      TRY_ASSIGN(std::string text, command_text(value, *operation));
      texts.push_back(std::move(text));
    } else {
      return value.wrong("a command or a list of commands");
    }
  }
  for (const Operation& each : operations_of(role)) {
    if (each.required && !out.contains(each.name)) {
      return node.refuse("the role " + std::string(name(role)) + " needs the operation '" +
                         each.name + "'");
    }
  }
  return out;
}

Result<Resolution> decode_resolution(const json::Node& node) {
  Resolution out;
  TRY_ASSIGN(auto fields, json::Fields::of(node, "a set of resolutions"));
  TRY_ASSIGN(out.frequency_hz, fields.quantity("frequency", Unit::hertz, out.frequency_hz));
  TRY_ASSIGN(out.level_db, fields.quantity("level", Unit::db, out.level_db));
  TRY_ASSIGN(out.phase_deg, fields.quantity("phase", Unit::degree, out.phase_deg));
  TRY_ASSIGN(out.amplitude_v, fields.quantity("amplitude", Unit::volt, out.amplitude_v));
  TRY_ASSIGN(out.voltage_v, fields.quantity("voltage", Unit::volt, out.voltage_v));
  TRY_ASSIGN(out.current_a, fields.quantity("current", Unit::ampere, out.current_a));
  TRY(fields.finish());
  for (const double value : {out.frequency_hz, out.level_db, out.phase_deg, out.amplitude_v,
                             out.voltage_v, out.current_a}) {
    if (value < 0) return node.refuse("a resolution cannot be negative");
  }
  return out;
}

Result<ScopeTraits> decode_scope(const json::Node& node) {
  ScopeTraits out;
  TRY_ASSIGN(auto fields, json::Fields::of(node, "the read-out of a scope"));
  TRY_ASSIGN(const json::Node family, fields.need("family"));
  TRY_ASSIGN(const std::size_t family_index, family.word({"waveform", "curve", "trace"}));
  out.family = static_cast<ScopeFamily>(family_index);
  TRY_ASSIGN(const json::Node format, fields.need("format"));
  TRY_ASSIGN(const std::size_t format_index,
             format.word({"int8", "uint8", "int16", "uint16", "float32"}));
  out.format = static_cast<WireFormat>(format_index);
  if ((out.format == WireFormat::float32) != (out.family == ScopeFamily::trace)) {
    return format.refuse("the family 'trace' sends float32, the others send whole numbers");
  }
  if (const auto order = fields.find("byte_order")) {
    TRY_ASSIGN(const std::size_t index, order->word({"little", "big"}));
    out.big_endian = index == 1;
  }
  TRY_ASSIGN(const long long bits, fields.integer("bits", 4, 24, out.bits));
  out.bits = static_cast<int>(bits);
  TRY_ASSIGN(const long long channels, fields.integer("channels", 1, 64, out.channels));
  out.channels = static_cast<int>(channels);
  TRY_ASSIGN(const long long divisions, fields.integer("divisions", 1, 100, 1));
  out.divisions = static_cast<double>(divisions);
  if (const auto complete = fields.find("complete")) {
    TRY_ASSIGN(const std::size_t index, complete->word({"opc", "poll"}));
    out.poll = index == 1;
  }
  TRY_ASSIGN(out.done, fields.text("done", out.done));
  TRY_ASSIGN(out.poll_every, duration(fields, "poll_every", out.poll_every));
  TRY_ASSIGN(const long long most,
             fields.integer("points_most", 1, 1LL << 28, static_cast<long long>(out.points_most)));
  out.points_most = static_cast<std::size_t>(most);
  TRY(fields.finish());
  return out;
}

Result<Quirks> decode_quirks(const json::Node& node, ScopeTraits& traits) {
  Quirks out;
  TRY_ASSIGN(auto fields, json::Fields::of(node, "a set of quirks"));
  TRY_ASSIGN(out.chaining, fields.boolean("chaining", out.chaining));
  TRY_ASSIGN(const long long most, fields.integer("message_most", 16, 65536, 200));
  out.message_most = static_cast<std::size_t>(most);
  TRY_ASSIGN(out.gap, duration(fields, "gap", out.gap));
  TRY_ASSIGN(out.leading_colon, fields.boolean("leading_colon", out.leading_colon));
  TRY_ASSIGN(out.error_queue, fields.boolean("error_queue", out.error_queue));
  TRY_ASSIGN(out.complete_query, fields.boolean("complete_query", out.complete_query));
  if (const auto terminator = fields.find("terminator")) {
    TRY_ASSIGN(const std::size_t index, terminator->word({"lf", "cr lf"}));
    out.terminator = index == 0 ? "\n" : "\r\n";
  }
  TRY_ASSIGN(const long long request,
             fields.integer("usb_request_most", 64, 1LL << 30, out.usb.request_most));
  out.usb.request_most = static_cast<std::uint32_t>(request);
  TRY_ASSIGN(out.usb.clear_at_open, fields.boolean("usb_clear_at_open", out.usb.clear_at_open));
  TRY_ASSIGN(out.usb.check_tags, fields.boolean("usb_check_tags", out.usb.check_tags));
  TRY_ASSIGN(traits.y_origin_in_counts, fields.boolean("y_origin_in_counts", false));
  TRY_ASSIGN(traits.trigger_in_x_zero, fields.boolean("trigger_in_x_zero", false));
  TRY(fields.finish());
  return out;
}

// What one operation asks of others.
Result<void> check_scope(const json::Node& commands, const Commands& known,
                         const ScopeTraits& traits) {
  const auto has = [&](const char* operation) { return known.contains(operation); };
  const bool sets = has("set_sample_rate") || has("set_interval") || has("set_time_range");
  const bool gets = has("get_sample_rate") || has("get_interval") || has("get_time_range");
  if (!sets || !gets) {
    return commands.refuse(
        "a scope needs one of set_sample_rate, set_interval, set_time_range and one of "
        "get_sample_rate, get_interval, get_time_range");
  }
  if (known.find("get_full_scale")->second.size() != 1 ||
      known.find("get_data")->second.size() != 1) {
    return commands.refuse("get_full_scale and get_data must be one query each");
  }
  if (traits.poll && !has("is_complete")) {
    return commands.refuse("completion by \"poll\" needs the operation 'is_complete'");
  }
  const std::size_t wanted = traits.family == ScopeFamily::waveform ? 1
                             : traits.family == ScopeFamily::curve  ? 10
                                                                    : 0;
  const auto preamble = known.find("get_preamble");
  const std::size_t found = preamble == known.end() ? 0 : preamble->second.size();
  if (wanted != found) {
    return commands.refuse("the read-out needs 'get_preamble' with " + std::to_string(wanted) +
                           " queries, found " + std::to_string(found));
  }
  return {};
}

Result<void> check_read_back(const json::Node& commands, const Commands& known) {
  for (const auto& [key, texts] : known) {
    if (!key.starts_with("set_")) continue;
    const std::string asked = "get_" + key.substr(4);
    if (!known.contains(asked)) {
      return commands.refuse("confirmation by \"read_back\" needs '" + asked + "' beside '" + key +
                             "'");
    }
  }
  if (known.contains("output_on") && !known.contains("get_output")) {
    return commands.refuse("confirmation by \"read_back\" needs 'get_output'");
  }
  return {};
}

}  // namespace

Result<Dialect> decode_dialect(const json::Node& node) {
  Dialect out;
  TRY_ASSIGN(auto fields, json::Fields::of(node, "a dialect"));
  TRY_ASSIGN(out.name_, fields.text("dialect"));
  TRY_ASSIGN(const json::Node role, fields.need("role"));
  std::vector<std::string> roles;
  for (const Role each : all_roles()) roles.emplace_back(name(each));
  TRY_ASSIGN(const std::size_t role_index, role.word(roles));
  out.role_ = all_roles()[role_index];
  TRY_ASSIGN(out.title_, fields.text("title", ""));
  if (const auto identity = fields.find("identity")) {
    TRY_ASSIGN(out.identity_, identity->text());
    const auto good = check_identity_pattern(out.identity_);
    if (!good) return identity->refuse(good.error().message);
  }
  TRY_ASSIGN(const json::Node commands, fields.need("commands"));
  TRY_ASSIGN(out.commands_, decode_commands(commands, out.role_));
  if (const auto confirm = fields.find("confirm")) {
    TRY_ASSIGN(const std::size_t index, confirm->word({"read_back", "complete", "errors"}));
    out.confirm_ = static_cast<Confirm>(index);
  }
  if (const auto resolution = fields.find("resolution")) {
    TRY_ASSIGN(out.resolution_, decode_resolution(*resolution));
  }
  TRY_ASSIGN(out.settle_, duration(fields, "settle", Duration{}));
  if (out.role_ == Role::scope) {
    TRY_ASSIGN(const json::Node scope, fields.need("scope"));
    TRY_ASSIGN(out.scope_, decode_scope(scope));
    TRY(check_scope(commands, out.commands_, out.scope_));
  } else if (out.confirm_ == Confirm::read_back) {
    TRY(check_read_back(commands, out.commands_));
  }
  if (const auto quirks = fields.find("quirks")) {
    TRY_ASSIGN(out.quirks_, decode_quirks(*quirks, out.scope_));
  }
  TRY(fields.finish());
  return out;
}

Result<Dialect> read_dialect(const std::filesystem::path& file) {
  TRY_ASSIGN(const json::Node node, json::read_file(file));
  return decode_dialect(node);
}

Result<Dialect> find_dialect(const std::filesystem::path& folder, std::string_view which) {
  const std::filesystem::path path(which);
  if (path.extension() == ".json") return read_dialect(path);
  const std::filesystem::path file = folder / (std::string(which) + ".json");
  std::error_code failed;
  if (std::filesystem::is_regular_file(file, failed)) return read_dialect(file);
  std::vector<std::string> known;
  for (const auto& entry : std::filesystem::directory_iterator(folder, failed)) {
    if (entry.path().extension() == ".json") known.push_back(entry.path().stem().string());
  }
  const auto meant = json::nearest(which, known);
  Error error;
  error.kind = ErrorKind::bad_input;
  error.file = file.string();
  error.message = "there is no dialect '" + std::string(which) + "'" +
                  (meant ? "; did you mean '" + *meant + "'?" : "");
  return fail(std::move(error));
}

Result<std::vector<Dialect>> read_dialects(const std::filesystem::path& folder) {
  std::vector<std::filesystem::path> files;
  std::error_code failed;
  for (const auto& entry : std::filesystem::directory_iterator(folder, failed)) {
    if (entry.path().extension() == ".json") files.push_back(entry.path());
  }
  if (failed) {
    Error error;
    error.kind = ErrorKind::bad_input;
    error.file = folder.string();
    error.number = failed.value();
    error.message = "the dialect folder cannot be read: " + failed.message();
    return fail(std::move(error));
  }
  std::sort(files.begin(), files.end());
  std::vector<Dialect> out;
  for (const auto& file : files) {
    TRY_ASSIGN(Dialect dialect, read_dialect(file));
    out.push_back(std::move(dialect));
  }
  return out;
}

}  // namespace nightbench::instrument
