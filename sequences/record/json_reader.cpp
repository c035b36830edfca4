#include "sequences/record/json_reader.hpp"

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>

namespace nightbench::record {
namespace {

std::string escaped(const std::string& key) {
  std::string out;  // RFC 6901, section 3
  for (const char c : key) out += c == '~' ? "~0" : c == '/' ? "~1" : std::string(1, c);
  return out;
}

const char* kind_of(const nlohmann::json& value) {
  if (value.is_object()) return "an object";
  if (value.is_array()) return "an array";
  if (value.is_string()) return "a string";
  if (value.is_null()) return "null";
  return value.is_boolean() ? "true or false" : "a number";
}

}  // namespace

std::string Place::pointer() const {
  return parent_ == nullptr ? root_->pointer() : parent_->pointer() + "/" + escaped(key_);
}

std::unexpected<Error> Place::refuse(const std::string& message) const {
  Error error = root_->refuse(message).error();
  const std::string place = pointer();
  error.pointer = place.empty() ? "/" : place;
  return fail(std::move(error));
}

bool Place::is_null() const {
  return value_->is_null();
}

Result<std::string> Place::text() const {
  if (!value_->is_string())
    return refuse(std::string("expected a string, found ") + kind_of(raw()));
  return value_->get<std::string>();
}

Result<double> Place::number() const {
  if (!value_->is_number())
    return refuse(std::string("expected a number, found ") + kind_of(raw()));
  const double value = value_->get<double>();
  if (!std::isfinite(value)) return refuse("expected a finite number");
  return value;
}

Result<long long> Place::integer(long long least, long long most) const {
  const double value = value_->is_number() ? value_->get<double>() : std::nan("");
  if (!(value >= static_cast<double>(least)) || !(value <= static_cast<double>(most)) ||
      value != std::floor(value)) {
    return refuse("expected a whole number from " + std::to_string(least) + " to " +
                  std::to_string(most));
  }
  return static_cast<long long>(value);
}

Result<bool> Place::boolean() const {
  if (!value_->is_boolean())
    return refuse(std::string("expected true or false, found ") + kind_of(raw()));
  return value_->get<bool>();
}

Result<std::size_t> Place::array_size() const {
  if (!value_->is_array()) return refuse(std::string("expected an array, found ") + kind_of(raw()));
  return value_->size();
}

Place Place::element(std::size_t index) const {
  return Place(*this, (*value_)[index], std::to_string(index));
}

Result<std::vector<std::pair<std::string, Place>>> Place::members() const {
  if (!value_->is_object())
    return refuse(std::string("expected an object, found ") + kind_of(raw()));
  std::vector<std::pair<std::string, Place>> out;
  for (const auto& [key, value] : value_->items()) out.emplace_back(key, Place(*this, value, key));
  return out;
}

Result<Members> Members::of(const Place& place, const char* what) {
  if (!place.raw().is_object()) {
    return place.refuse(std::string("expected ") + what + " (an object), found " +
                        kind_of(place.raw()));
  }
  return Members(place, what);
}

std::optional<Place> Members::find(const char* key) {
  const auto found = place_->raw().find(key);
  if (found == place_->raw().end()) return std::nullopt;
  asked_.push_back(key);
  return Place(*place_, *found, key);
}

Result<Place> Members::need(const char* key) {
  auto found = find(key);
  if (!found)
    return place_->refuse(std::string(what_) + " needs \"" + key + "\", which is missing");
  return *std::move(found);
}

Result<std::string> Members::text(const char* key, std::optional<std::string> otherwise) {
  if (const auto found = find(key)) return found->text();
  if (otherwise) return *std::move(otherwise);
  return fail(need(key).error());
}

Result<long long> Members::integer(const char* key, long long least, long long most,
                                   std::optional<long long> otherwise) {
  if (const auto found = find(key)) return found->integer(least, most);
  if (otherwise) return *otherwise;
  return fail(need(key).error());
}

Result<bool> Members::boolean(const char* key, bool otherwise) {
  const auto found = find(key);
  return found ? found->boolean() : Result<bool>(otherwise);
}

Result<void> Members::finish() const {
  for (const auto& [key, value] : place_->raw().items()) {
    if (key == "$schema" || key == "comment") continue;
    const bool known =
        std::any_of(asked_.begin(), asked_.end(), [&](const char* each) { return key == each; });
    if (!known) {
      return Place(*place_, value, key)
          .refuse(std::string(what_) + " has no member \"" + key + "\"");
    }
  }
  return {};
}

}  // namespace nightbench::record
