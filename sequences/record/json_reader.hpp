// A light strict reader for JSON that this program wrote itself: thousands of small objects whose
// members are known. Places form a chain of parents, so that the pointer of an error is only built
// when there is an error. A Place refers to its parent and its Node; keep both alive.
#pragma once

#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "drivers/base/json.hpp"

namespace nightbench::record {

class Place {
 public:
  explicit Place(const json::Node& root) : root_(&root), value_(&root.raw()) {}
  Place(const Place& parent, const nlohmann::json& value, std::string key)
      : root_(parent.root_), value_(&value), parent_(&parent), key_(std::move(key)) {}

  const nlohmann::json& raw() const { return *value_; }
  bool is_null() const;
  Result<std::string> text() const;
  Result<double> number() const;
  Result<long long> integer(long long least, long long most) const;
  Result<bool> boolean() const;
  Result<std::size_t> array_size() const;
  Place element(std::size_t index) const;  // index < *array_size()
  Result<std::vector<std::pair<std::string, Place>>> members() const;

  // bad_input at this place.
  std::unexpected<Error> refuse(const std::string& message) const;

 private:
  std::string pointer() const;
  const json::Node* root_;
  const nlohmann::json* value_;
  const Place* parent_ = nullptr;
  std::string key_;
};

// The members of an object, each asked for once; finish() refuses what was never asked for.
class Members {
 public:
  static Result<Members> of(const Place& place, const char* what);
  std::optional<Place> find(const char* key);
  Result<Place> need(const char* key);
  Result<std::string> text(const char* key, std::optional<std::string> otherwise = {});
  Result<long long> integer(const char* key, long long least, long long most,
                            std::optional<long long> otherwise = {});
  Result<bool> boolean(const char* key, bool otherwise);
  Result<void> finish() const;

 private:
  Members(const Place& place, const char* what) : place_(&place), what_(what) {}
  const Place* place_;
  const char* what_;
  std::vector<const char*> asked_;
};

}  // namespace nightbench::record
