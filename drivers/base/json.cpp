#include "drivers/base/json.hpp"

#include <algorithm>
#include <cerrno>
#include <cmath>
#include <cstdint>
#include <cstring>
#include <fstream>
#include <nlohmann/json.hpp>
#include <set>
#include <utility>

namespace nightbench::json {

using Json = nlohmann::json;

struct Document {
  std::string file;
  Json root;
};

namespace {

constexpr std::size_t kMostFileBytes = 16U << 20;
constexpr int kDeepest = 100;  // brackets; whoever walks over a value may recurse

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
  if (value.is_object()) return "an object";
  if (value.is_array()) {
    return value.empty() ? "an empty array" : "an array of " + std::to_string(value.size());
  }
  return excerpt(value.dump(-1, ' ', false, Json::error_handler_t::replace));
}

std::string joined(const std::vector<std::string>& words) {
  std::string out;
  for (std::size_t i = 0; i < words.size(); ++i) {
    if (i != 0) out += i + 1 == words.size() ? " or " : ", ";
    out += '"' + words[i] + '"';
  }
  return out;
}

// Insertions, deletions, replacements and swaps of two neighbours that lead from `a` to `b` (the
// optimal string alignment distance).
std::size_t edit_distance(std::string_view a, std::string_view b) {
  std::vector<std::size_t> row(b.size() + 1);
  for (std::size_t j = 0; j <= b.size(); ++j) row[j] = j;
  std::vector<std::size_t> above = row;
  std::vector<std::size_t> two_above = row;
  for (std::size_t i = 1; i <= a.size(); ++i) {
    two_above.swap(above);
    above.swap(row);
    row[0] = i;
    for (std::size_t j = 1; j <= b.size(); ++j) {
      const std::size_t replaced = above[j - 1] + (a[i - 1] == b[j - 1] ? 0 : 1);
      row[j] = std::min({above[j] + 1, row[j - 1] + 1, replaced});
      const bool swapped = i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1];
      if (swapped) row[j] = std::min(row[j], two_above[j - 2] + 1);
    }
  }
  return row[b.size()];
}

// `byte` counts from 0.
Error at_line(std::string_view text, std::size_t byte, const std::string& file,
              std::string message) {
  const std::string_view before = text.substr(0, std::min(byte, text.size()));
  const auto line = 1 + std::count(before.begin(), before.end(), '\n');
  const std::size_t newline = before.rfind('\n');
  const std::size_t column =
      newline == std::string_view::npos ? before.size() + 1 : before.size() - newline;
  Error error;
  error.kind = ErrorKind::bad_input;
  error.file = file;
  error.message = "line " + std::to_string(line) + ", column " + std::to_string(column) + ": " +
                  std::move(message);
  return error;
}

// Calls visit(byte) for each bracket, each colon and the first byte of each string, comments left
// out, until it returns false. Knows nothing else of the syntax, so it may run on broken text.
template <typename Visit>
void outline(std::string_view text, Visit visit) {
  for (std::size_t i = 0; i < text.size(); ++i) {
    const std::string_view rest = text.substr(i);
    if (rest.starts_with("//") || rest.starts_with("/*")) {
      const bool line = rest[1] == '/';
      const std::size_t end = text.find(line ? "\n" : "*/", i + 2);
      if (end == std::string_view::npos) return;
      i = line ? end : end + 1;
    } else if (rest[0] == '"') {
      if (!visit(i)) return;
      for (++i; i < text.size() && text[i] != '"'; ++i) {
        if (text[i] == '\\') ++i;
      }
    } else if (std::string_view("[]{}:").find(rest[0]) != std::string_view::npos) {
      if (!visit(i)) return;
    }
  }
}

// The first bracket that is nested too deep.
std::optional<std::size_t> too_deep(std::string_view text) {
  int depth = 0;
  std::optional<std::size_t> found;
  outline(text, [&](std::size_t byte) {
    const char c = text[byte];
    if (c == '[' || c == '{') ++depth;
    if (c == ']' || c == '}') --depth;
    if (depth > kDeepest) found = byte;
    return !found;
  });
  return found;
}

// Where the n-th key of valid text stands, from 0, in the order of the file.
std::size_t place_of_key(std::string_view text, std::size_t n) {
  std::size_t last = 0;
  outline(text, [&](std::size_t byte) {
    if (text[byte] == '"') last = byte;
    return text[byte] != ':' || n-- != 0;
  });
  return last;
}

// The library's message without its own prefix, and without what it read last when that is long or
// no plain text (line and column tell the place).
std::string syntax_message(std::string message) {
  const std::size_t syntax = message.find("syntax error");
  const std::size_t bracket = message.find("] ");
  if (syntax != std::string::npos)
    message.erase(0, syntax);
  else if (bracket != std::string::npos)
    message.erase(0, bracket + 2);
  const std::string_view mark = "; last read: '";
  const std::size_t from = message.find(mark);
  if (from == std::string::npos) return excerpt(message, 200);
  const std::size_t expected = message.rfind("'; expected ");
  const std::size_t to = expected == std::string::npos ? message.size() : expected + 1;
  const bool plain = std::all_of(message.begin() + static_cast<std::ptrdiff_t>(from),
                                 message.begin() + static_cast<std::ptrdiff_t>(to),
                                 [](char c) { return c >= 0x20 && c < 0x7F; });
  if (!plain || to - from > mark.size() + 60) message.erase(from, to - from);
  return message;
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
  // Whole numbers are compared as such: a double has no room for the last bits of a large one.
  if (value_->is_number_unsigned()) {
    const auto value = value_->get<std::uint64_t>();
    if (std::cmp_less(value, least) || std::cmp_greater(value, most)) return wrong(expected);
    return static_cast<long long>(value);
  }
  if (value_->is_number_integer()) {
    const auto value = value_->get<std::int64_t>();
    if (value < least || value > most) return wrong(expected);
    return value;
  }
  const double value = value_->get<double>();
  constexpr double kMost = 9007199254740992.0;  // 2^53: every whole double up to here is itself
  if (value != std::floor(value) || std::fabs(value) > kMost) return wrong(expected);
  const auto whole = static_cast<long long>(value);
  if (whole < least || whole > most) return wrong(expected);
  return whole;
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
                            : "an array of at least " + std::to_string(least) +
                                  (least == 1 ? " element" : " elements"));
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
  if (found) return *found;
  std::string message = what_ + " needs \"" + key + "\", which is missing";
  // A misspelled member is the usual cause; finish() would tell, but this comes first.
  for (const auto& [name, ignored] : node_.raw().items()) {
    if (std::find(asked_.begin(), asked_.end(), name) != asked_.end()) continue;
    if (nearest(name, {key})) {
      message += "; is \"" + excerpt(name) + "\" meant to be it?";
      break;
    }
  }
  return node_.refuse(message);
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
    std::string message = what_ + " has no member \"" + excerpt(key) + "\"";
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
  std::size_t keys = 0;
  std::optional<std::size_t> twice;
  std::string twice_key;
  const Json::parser_callback_t watch = [&](int, Json::parse_event_t event, Json& parsed) {
    if (event == Json::parse_event_t::object_start) open.emplace_back();
    if (event == Json::parse_event_t::object_end && !open.empty()) open.pop_back();
    if (event == Json::parse_event_t::key && !open.empty()) {
      const auto key = parsed.get<std::string>();
      if (!open.back().insert(key).second && !twice) {
        twice = keys;
        twice_key = key;
      }
      ++keys;
    }
    return true;
  };
  if (const auto byte = too_deep(text)) {
    return fail(at_line(text, *byte, document->file,
                        "brackets are nested more than " + std::to_string(kDeepest) + " deep"));
  }
  try {
    document->root = Json::parse(text.begin(), text.end(), watch, true, true);
  } catch (const Json::parse_error& failure) {
    const std::size_t byte = failure.byte == 0 ? 0 : failure.byte - 1;  // theirs counts from 1
    return fail(at_line(text, byte, document->file, syntax_message(failure.what())));
  } catch (const Json::exception& failure) {
    // A number too large for a double; its text stands in single quotes.
    const std::string message = failure.what();
    const std::size_t from = message.find('\'') + 1;
    const std::size_t to = message.rfind('\'');
    const bool quoted = from != 0 && to != std::string::npos && to > from;
    const std::string number = quoted ? message.substr(from, to - from) : std::string();
    const std::size_t byte = quoted ? text.find(number) : 0;
    return fail(at_line(text, byte == std::string_view::npos ? 0 : byte, document->file,
                        quoted ? "the number " + excerpt(number) + " is too large" : message));
  }
  if (twice) {
    return fail(at_line(text, place_of_key(text, *twice), document->file,
                        "the key \"" + excerpt(twice_key) + "\" stands twice"));
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
    const std::size_t apart =
        word.size() > each.size() ? word.size() - each.size() : each.size() - word.size();
    if (apart >= least) continue;  // spares a distance over a megabyte of hostile text
    const std::size_t distance = edit_distance(word, each);
    if (distance < least) {
      least = distance;
      best = each;
    }
  }
  return best;
}

}  // namespace nightbench::json
