#include "drivers/base/json.hpp"

#include <algorithm>
#include <cerrno>
#include <cmath>
#include <cstring>
#include <fstream>
#include <nlohmann/json.hpp>
#include <set>

namespace nightbench::json {

using Json = nlohmann::json;

struct Document {
  std::string file;
  Json root;
};

namespace {

constexpr std::size_t kMostFileBytes = 16U << 20;

std::string escaped(std::string_view key) {
  std::string out;  // RFC 6901, section 3
  for (const char c : key) {
    if (c == '~') out += "~0";
    else if (c == '/') out += "~1";
    else out += c;
  }
  return out;
}

std::string shown(const Json& value) {
  constexpr std::size_t kMost = 60;
  std::string text = value.dump(-1, ' ', false, Json::error_handler_t::replace);
  if (value.is_object()) return "an object";
  if (value.is_array()) return "an array";
  if (text.size() > kMost) text = text.substr(0, kMost) + "...";
  return text;
}

std::string joined(const std::vector<std::string>& words) {
  std::string out;
  for (std::size_t i = 0; i < words.size(); ++i) {
    if (i != 0) out += i + 1 == words.size() ? " or " : ", ";
    out += '"' + words[i] + '"';
  }
  return out;
}

std::size_t edit_distance(std::string_view a, std::string_view b) {
  std::vector<std::size_t> row(b.size() + 1);
  for (std::size_t j = 0; j <= b.size(); ++j) row[j] = j;
  for (std::size_t i = 1; i <= a.size(); ++i) {
    std::size_t corner = row[0];
    row[0] = i;
    for (std::size_t j = 1; j <= b.size(); ++j) {
      const std::size_t replaced = corner + (a[i - 1] == b[j - 1] ? 0 : 1);
      corner = row[j];
      row[j] = std::min({row[j] + 1, row[j - 1] + 1, replaced});
    }
  }
  return row[b.size()];
}

Error at_line(std::string_view text, std::size_t byte, const std::string& file,
              std::string message) {
  const std::string_view before = text.substr(0, std::min(byte, text.size()));
  const auto line = 1 + std::count(before.begin(), before.end(), '\n');
  const std::size_t newline = before.rfind('\n');
  const std::size_t column = newline == std::string_view::npos ? before.size() : byte - newline - 1;
  Error error;
  error.kind = ErrorKind::bad_input;
  error.file = file;
  error.message = "line " + std::to_string(line) + ", column " +
                  std::to_string(std::max<std::size_t>(column, 1)) + ": " + std::move(message);
  return error;
}

}  // namespace

Node::Node(std::shared_ptr<const Document> document, const Json* value, std::string pointer)
    : document_(std::move(document)), value_(value), pointer_(std::move(pointer)) {}

const std::string& Node::file() const { return document_->file; }
bool Node::is_object() const { return value_->is_object(); }
bool Node::is_array() const { return value_->is_array(); }
bool Node::is_string() const { return value_->is_string(); }
bool Node::is_number() const { return value_->is_number(); }

std::unexpected<Error> Node::refuse(const std::string& message) const {
  Error error;
  error.kind = ErrorKind::bad_input;
  error.file = file();
  error.pointer = pointer_.empty() ? "/" : pointer_;
  error.message = message;
  return fail(std::move(error));
}

std::unexpected<Error> Node::wrong(const std::string& expected) const {
  return refuse("expected " + expected + ", found " + shown(*value_));
}

Result<std::string> Node::text() const {
  if (!value_->is_string()) return wrong("a string");
  return value_->get<std::string>();
}

Result<double> Node::number() const {
  if (!value_->is_number()) return wrong("a number");
  const double value = value_->get<double>();
  if (!std::isfinite(value)) return wrong("a finite number");
  return value;
}

Result<long long> Node::integer(long long least, long long most) const {
  const std::string expected =
      "a whole number from " + std::to_string(least) + " to " + std::to_string(most);
  if (!value_->is_number()) return wrong(expected);
  const double value = value_->get<double>();
  if (value != std::floor(value) || value < static_cast<double>(least) ||
      value > static_cast<double>(most)) {
    return wrong(expected);
  }
  return static_cast<long long>(value);
}

Result<bool> Node::boolean() const {
  if (!value_->is_boolean()) return wrong("true or false");
  return value_->get<bool>();
}

Result<double> Node::quantity(Unit unit) const {
  if (value_->is_number()) return number();
  if (!value_->is_string()) {
    return wrong(std::string("a number or a string with a unit") +
                 (*symbol(unit) != '\0' ? std::string(" (") + symbol(unit) + ")" : ""));
  }
  auto parsed = parse_quantity(value_->get_ref<const std::string&>(), unit);
  if (!parsed) return refuse(parsed.error().message);
  return *parsed;
}

Result<std::size_t> Node::word(const std::vector<std::string>& choices) const {
  if (!value_->is_string()) return wrong(joined(choices));
  const auto& text = value_->get_ref<const std::string&>();
  const auto found = std::find(choices.begin(), choices.end(), text);
  if (found != choices.end()) return static_cast<std::size_t>(found - choices.begin());
  std::string message = "expected " + joined(choices) + ", found " + shown(*value_);
  if (const auto close = nearest(text, choices)) message += "; did you mean \"" + *close + "\"?";
  return refuse(message);
}

Result<std::vector<Node>> Node::elements(std::size_t least) const {
  if (!value_->is_array() || value_->size() < least) {
    return wrong(least == 0 ? "an array"
                            : "an array of at least " + std::to_string(least) + " elements");
  }
  std::vector<Node> out;
  for (std::size_t i = 0; i < value_->size(); ++i) {
    out.emplace_back(document_, &(*value_)[i], pointer_ + "/" + std::to_string(i));
  }
  return out;
}

Result<std::vector<std::pair<std::string, Node>>> Node::members() const {
  if (!value_->is_object()) return wrong("an object");
  std::vector<std::pair<std::string, Node>> out;
  for (const auto& [key, value] : value_->items()) {
    if (key == "$schema" || key == "comment") continue;
    out.emplace_back(key, Node(document_, &value, pointer_ + "/" + escaped(key)));
  }
  return out;
}

Result<Fields> Fields::of(const Node& node, std::string what) {
  if (!node.is_object()) return node.wrong(what + " (an object)");
  return Fields(node, std::move(what));
}

std::optional<Node> Fields::find(const std::string& key) {
  asked_.push_back(key);
  const auto found = node_.raw().find(key);
  if (found == node_.raw().end()) return std::nullopt;
  auto all = node_.members();
  for (auto& [name, child] : *all) {
    if (name == key) return child;
  }
  return std::nullopt;
}

Result<Node> Fields::need(const std::string& key) {
  auto found = find(key);
  if (!found) return node_.refuse(what_ + " needs \"" + key + "\", which is missing");
  return *found;
}

Result<std::string> Fields::text(const std::string& key, std::optional<std::string> otherwise) {
  const auto found = find(key);
  if (found) return found->text();
  if (otherwise) return *std::move(otherwise);
  return fail(need(key).error());
}
Result<double> Fields::number(const std::string& key, std::optional<double> otherwise) {
  const auto found = find(key);
  if (found) return found->number();
  if (otherwise) return *otherwise;
  return fail(need(key).error());
}
Result<double> Fields::quantity(const std::string& key, Unit unit,
                                std::optional<double> otherwise) {
  const auto found = find(key);
  if (found) return found->quantity(unit);
  if (otherwise) return *otherwise;
  return fail(need(key).error());
}
Result<long long> Fields::integer(const std::string& key, long long least, long long most,
                                  std::optional<long long> otherwise) {
  const auto found = find(key);
  if (found) return found->integer(least, most);
  if (otherwise) return *otherwise;
  return fail(need(key).error());
}
Result<std::optional<double>> Fields::maybe_quantity(const std::string& key, Unit unit) {
  const auto found = find(key);
  if (!found) return std::optional<double>();
  TRY_ASSIGN(const double value, found->quantity(unit));
  return std::optional<double>(value);
}
Result<bool> Fields::boolean(const std::string& key, std::optional<bool> otherwise) {
  const auto found = find(key);
  if (found) return found->boolean();
  if (otherwise) return *otherwise;
  return fail(need(key).error());
}

Result<void> Fields::finish() const {
  for (const auto& [key, value] : node_.raw().items()) {
    if (key == "$schema" || key == "comment") continue;
    if (std::find(asked_.begin(), asked_.end(), key) != asked_.end()) continue;
    std::string message = what_ + " has no member \"" + key + "\"";
    if (const auto close = nearest(key, asked_)) message += "; did you mean \"" + *close + "\"?";
    Error error = node_.refuse(message).error();
    error.pointer = node_.pointer() + "/" + escaped(key);
    return fail(std::move(error));
  }
  return {};
}

Result<Node> parse(std::string_view text, std::string name) {
  auto document = std::make_shared<Document>();
  document->file = std::move(name);
  // The library keeps the last of two equal keys; a person who wrote both should hear of it.
  std::vector<std::set<std::string>> open;
  std::string twice;
  const Json::parser_callback_t watch = [&](int, Json::parse_event_t event, Json& parsed) {
    if (event == Json::parse_event_t::object_start) open.emplace_back();
    if (event == Json::parse_event_t::object_end && !open.empty()) open.pop_back();
    if (event == Json::parse_event_t::key && !open.empty()) {
      const auto key = parsed.get<std::string>();
      if (!open.back().insert(key).second && twice.empty()) twice = key;
    }
    return true;
  };
  try {
    document->root = Json::parse(text.begin(), text.end(), watch, true, true);
  } catch (const Json::parse_error& failure) {
    std::string message = failure.what();
    const std::size_t colon = message.rfind(": ");
    const std::size_t syntax = message.find("syntax error");
    if (syntax != std::string::npos) message = message.substr(syntax);
    else if (colon != std::string::npos) message = message.substr(colon + 2);
    return fail(at_line(text, failure.byte, document->file, message));
  } catch (const Json::exception& failure) {
    return fail(at_line(text, 0, document->file, failure.what()));
  }
  if (!twice.empty()) {
    const std::size_t first = text.find('"' + twice + '"');
    const std::size_t second = text.find('"' + twice + '"', first + 1);
    return fail(at_line(text, second, document->file, "the key \"" + twice + "\" stands twice"));
  }
  const Json* root = &document->root;
  return Node(std::move(document), root, "");
}

Node from_value(Json value, std::string name) {
  auto document = std::make_shared<Document>();
  document->file = std::move(name);
  document->root = std::move(value);
  const Json* root = &document->root;
  return Node(std::move(document), root, "");
}

Result<Node> read_file(const std::filesystem::path& path) {
  Error error;
  error.kind = ErrorKind::bad_input;
  error.file = path.string();
  std::ifstream stream(path, std::ios::binary);
  std::error_code ignored;
  if (!stream || std::filesystem::is_directory(path, ignored)) {
    error.number = errno;
    error.message = std::filesystem::is_directory(path, ignored)
                        ? "is a folder, a file was expected"
                        : std::string("cannot be opened: ") + std::strerror(errno);
    return fail(std::move(error));
  }
  std::string text(kMostFileBytes + 1, '\0');
  stream.read(text.data(), static_cast<std::streamsize>(text.size()));
  text.resize(static_cast<std::size_t>(stream.gcount()));
  if (text.size() > kMostFileBytes) {
    error.message = "is larger than 16 MiB";
    return fail(std::move(error));
  }
  return parse(text, path.string());
}

std::optional<std::string> nearest(std::string_view word, const std::vector<std::string>& known) {
  std::optional<std::string> best;
  std::size_t least = std::max<std::size_t>(1, word.size() / 3) + 1;
  for (const std::string& each : known) {
    const std::size_t distance = edit_distance(word, each);
    if (distance < least) {
      least = distance;
      best = each;
    }
  }
  return best;
}

}  // namespace nightbench::json
