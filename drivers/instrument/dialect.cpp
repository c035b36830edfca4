#include "drivers/instrument/dialect.hpp"

#include <algorithm>
#include <stdexcept>

#include "drivers/instrument/identity_pattern.hpp"

namespace nightbench::instrument {

const char* name(Role role) {
  switch (role) {
    case Role::rf_source:
      return "rf_source";
    case Role::lo_source:
      return "lo_source";
    case Role::scope:
      return "scope";
    case Role::meter:
      return "meter";
    case Role::supply:
      return "supply";
    case Role::relays:
      return "relays";
  }
  return "?";
}

const std::vector<Role>& all_roles() {
  static const std::vector<Role> kAll{Role::rf_source, Role::lo_source, Role::scope,
                                      Role::meter,     Role::supply,    Role::relays};
  return kAll;
}

std::optional<Role> role_named(std::string_view word) {
  for (const Role role : all_roles()) {
    if (word == name(role)) return role;
  }
  return std::nullopt;
}

bool Dialect::fits(std::string_view identity) const {
  return identity_.empty() || identity_matches(identity, identity_);
}

std::vector<std::string> Dialect::say(std::string_view operation, const Values& values) const {
  std::vector<std::string> out;
  const auto found = commands_.find(operation);
  if (found == commands_.end()) return out;
  for (const std::string& text : found->second) {
    std::string filled;
    for (std::size_t i = 0; i < text.size(); ++i) {
      if (text[i] != '{') {
        filled += text[i];
        continue;
      }
      const std::size_t end = text.find('}', i);  // the decoder has seen to it that there is one
      const auto value = values.find(std::string_view(text).substr(i + 1, end - i - 1));
      if (value == values.end()) {
        throw std::logic_error("no value for a placeholder of '" + std::string(operation) + "'");
      }
      filled += value->second;
      i = end;
    }
    out.push_back(std::move(filled));
  }
  return out;
}

scpi::Options Dialect::session_options(std::optional<Duration> timeout) const {
  scpi::Options out;
  if (timeout) out.timeout = *timeout;
  out.long_timeout = std::max(out.long_timeout, out.timeout);
  out.gap = quirks_.gap;
  out.may_chain = quirks_.chaining;
  out.most_message = quirks_.message_most;
  out.leading_colon = quirks_.leading_colon;
  out.has_error_queue = quirks_.error_queue;
  out.has_complete_query = quirks_.complete_query;
  out.terminator = quirks_.terminator;
  return out;
}

const Dialect* dialect_for(const std::vector<Dialect>& dialects, Role role,
                           std::string_view identity) {
  const Dialect* general = nullptr;
  for (const Dialect& each : dialects) {
    if (each.role() != role || !each.fits(identity)) continue;
    if (!each.identity_pattern().empty()) return &each;
    if (general == nullptr) general = &each;
  }
  return general;
}

}  // namespace nightbench::instrument
