// Strict reading of our own JSON files (bench, dialect, board type, script, board, fault book).
//
// A Node is a place in one file. Asking it for something returns the value or an Error that holds
// the file, the JSON pointer, what was expected and what was found. Members nobody asked for are
// refused by `Fields::finish`, with the nearest known name. Files may hold // and /* */ comments.
#pragma once

#include <filesystem>
#include <functional>
#include <memory>
#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/base/error.hpp"
#include "drivers/base/quantity.hpp"

namespace nightbench::json {

struct Document;  // the parsed file; shared by every Node of it

class Node {
 public:
  Node(std::shared_ptr<const Document> document, const nlohmann::json* value, std::string pointer);

  const std::string& file() const;
  const std::string& pointer() const { return pointer_; }
  const nlohmann::json& raw() const { return *value_; }

  bool is_object() const;
  bool is_array() const;
  bool is_string() const;
  bool is_number() const;

  Result<std::string> text() const;
  Result<double> number() const;
  Result<long long> integer(long long least, long long most) const;
  Result<bool> boolean() const;
  // A number in the base unit, or a string with a unit ("10.12 MHz").
  Result<double> quantity(Unit unit) const;
  // One of the given words; the result is its index.
  Result<std::size_t> word(const std::vector<std::string>& choices) const;
  Result<std::vector<Node>> elements(std::size_t least = 0) const;
  // The members of an object, by name, whatever their order in the file.
  Result<std::vector<std::pair<std::string, Node>>> members() const;

  // A bad_input error at this place: "expected <expected>, found <what is here>".
  std::unexpected<Error> wrong(const std::string& expected) const;
  // The same with free text.
  std::unexpected<Error> refuse(const std::string& message) const;

 private:
  std::shared_ptr<const Document> document_;
  const nlohmann::json* value_;
  std::string pointer_;
};

// The members of an object, each asked for by name, the rest refused.
class Fields {
 public:
  // Fails when `node` is no object; `what` names the thing for messages ("a sweep step").
  static Result<Fields> of(const Node& node, std::string what);

  Result<Node> need(const std::string& key);
  std::optional<Node> find(const std::string& key);
  // Shorthands: the member converted, or `otherwise` when it is absent.
  Result<std::string> text(const std::string& key, std::optional<std::string> otherwise = {});
  Result<double> number(const std::string& key, std::optional<double> otherwise = {});
  Result<double> quantity(const std::string& key, Unit unit, std::optional<double> otherwise = {});
  Result<long long> integer(const std::string& key, long long least, long long most,
                            std::optional<long long> otherwise = {});
  // The member converted, or nothing when it is absent.
  Result<std::optional<double>> maybe_quantity(const std::string& key, Unit unit);
  Result<bool> boolean(const std::string& key, std::optional<bool> otherwise = {});
  // Refuses the first member that was never asked for. "$schema" and "comment" are always allowed.
  Result<void> finish() const;
  const Node& node() const { return node_; }

 private:
  Fields(Node node, std::string what) : node_(std::move(node)), what_(std::move(what)) {}
  Node node_;
  std::string what_;
  std::vector<std::string> asked_;
};

// Reads and parses a file (at most 16 MiB, brackets at most 100 deep). Errors: bad_input with the
// file, and line and column (in bytes, from 1) for syntax; a duplicate key is an error too.
Result<Node> read_file(const std::filesystem::path& path);
// The same from memory; `name` stands for the file in messages.
Result<Node> parse(std::string_view text, std::string name);

// A document made from a value that is in memory already (a file after its parameters were put in).
Node from_value(nlohmann::json value, std::string name);

// The one of `known` that `word` most likely meant, if any is close enough.
std::optional<std::string> nearest(std::string_view word, const std::vector<std::string>& known);

}  // namespace nightbench::json
