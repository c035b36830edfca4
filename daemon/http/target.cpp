#include "daemon/http/target.hpp"

#include <optional>

#include "sequences/record/text.hpp"

namespace nightbench::http {
namespace {

constexpr std::size_t kMostSegments = 8;
constexpr std::size_t kMostMembers = 16;

std::unexpected<Refusal> refuse(const char* text) {
  return std::unexpected(Refusal{400, "bad-target", text});
}

int hex(char c) {
  if (c >= '0' && c <= '9') return c - '0';
  if (c >= 'a' && c <= 'f') return c - 'a' + 10;
  if (c >= 'A' && c <= 'F') return c - 'A' + 10;
  return -1;
}

// Nothing when an escape is broken or the text is not plain UTF-8 afterwards.
std::optional<std::string> decoded(std::string_view text, bool plus_is_blank) {
  std::string out;
  for (std::size_t n = 0; n < text.size(); ++n) {
    if (text[n] == '+' && plus_is_blank) {
      out += ' ';
    } else if (text[n] != '%') {
      out += text[n];
    } else {
      if (n + 2 >= text.size() || hex(text[n + 1]) < 0 || hex(text[n + 2]) < 0) return std::nullopt;
      out += static_cast<char>(hex(text[n + 1]) * 16 + hex(text[n + 2]));
      n += 2;
    }
  }
  if (record::printable(out) != out || out.find_first_of("\n\t") != std::string::npos) {
    return std::nullopt;
  }
  return out;
}

std::expected<void, Refusal> read_query(std::string_view text, Target& target) {
  while (!text.empty()) {
    const std::size_t end = std::min(text.find('&'), text.size());
    const std::string_view member = text.substr(0, end);
    text.remove_prefix(std::min(end + 1, text.size()));
    const std::size_t equals = std::min(member.find('='), member.size());
    const auto name = decoded(member.substr(0, equals), true);
    const auto value = decoded(member.substr(std::min(equals + 1, member.size())), true);
    if (!name || name->empty() || !value) return refuse("the query cannot be read");
    if (target.query.size() >= kMostMembers || !target.query.emplace(*name, *value).second) {
      return refuse("the query has too many members, or one twice");
    }
  }
  return {};
}

}  // namespace

std::expected<Target, Refusal> parse_target(std::string_view text) {
  if (text.empty() || text.front() != '/') return refuse("the address does not begin with /");
  if (text.find_first_of("#\\ \t") != std::string_view::npos) {
    return refuse("the address holds a byte that has no place in it");
  }
  Target target;
  const std::size_t mark = std::min(text.find('?'), text.size());
  std::string_view path = text.substr(1, mark - 1);
  while (!path.empty()) {
    const std::size_t end = std::min(path.find('/'), path.size());
    const auto segment = decoded(path.substr(0, end), false);
    path.remove_prefix(std::min(end + 1, path.size()));
    if (!segment || segment->empty() || *segment == "." || *segment == ".." ||
        segment->find_first_of("/\\") != std::string::npos) {
      return refuse("the path cannot be read");
    }
    if (target.path.size() >= kMostSegments) return refuse("the path is too deep");
    target.path.push_back(*segment);
  }
  if (mark < text.size()) {
    if (auto good = read_query(text.substr(mark + 1), target); !good) {
      return std::unexpected(std::move(good).error());
    }
  }
  return target;
}

}  // namespace nightbench::http
