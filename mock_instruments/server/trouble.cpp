#include "mock_instruments/server/trouble.hpp"

#include <algorithm>
#include <utility>

namespace nightbench::mock::server {
namespace {

const std::vector<std::string>& kind_words() {
  static const std::vector<std::string> words{"drop",
                                              "hang",
                                              "trickle",
                                              "garbage",
                                              "truncated_block",
                                              "oversized_block",
                                              "wrong_terminator",
                                              "late_answer",
                                              "reset",
                                              "error_entry",
                                              "never_complete",
                                              "wrong_identity",
                                              "power_loss"};
  return words;
}

std::string upper(std::string_view text) {
  std::string out(text);
  for (char& c : out) c = c >= 'a' && c <= 'z' ? static_cast<char>(c - 'a' + 'A') : c;
  return out;
}

constexpr long long kMost = 1LL << 40;

Result<std::optional<std::uint64_t>> count(json::Fields& fields, const std::string& key,
                                           long long least) {
  if (!fields.find(key)) return std::optional<std::uint64_t>();
  TRY_ASSIGN(const long long value, fields.integer(key, least, kMost));
  return std::optional(static_cast<std::uint64_t>(value));
}

Result<std::optional<double>> span(json::Fields& fields, const std::string& key) {
  const auto node = fields.find(key);
  if (!node) return std::optional<double>();
  TRY_ASSIGN(const double value, node->quantity(Unit::second));
  if (value < 0) return node->wrong("a span of time");
  return std::optional(value);
}

Result<Trouble> decode_trouble(const json::Node& node) {
  Trouble out;
  TRY_ASSIGN(json::Fields fields, json::Fields::of(node, "a trouble"));
  TRY_ASSIGN(const json::Node what, fields.need("what"));
  TRY_ASSIGN(const std::size_t kind, what.word(kind_words()));
  out.kind = static_cast<TroubleKind>(kind);
  TRY_ASSIGN(const json::Node when_node, fields.need("when"));
  TRY_ASSIGN(json::Fields when, json::Fields::of(when_node, "\"when\""));
  TRY_ASSIGN(out.command, count(when, "command", 1));
  TRY_ASSIGN(out.header, when.text("header", ""));
  out.header = upper(out.header);
  TRY_ASSIGN(out.at_s, span(when, "at"));
  if (const auto chance = when.find("chance")) {
    TRY_ASSIGN(const double value, chance->number());
    if (value < 0 || value > 1) return chance->wrong("a probability from 0 to 1");
    out.chance = value;
  }
  TRY(when.finish());
  TRY_ASSIGN(out.bytes, count(fields, "bytes", 0));
  TRY_ASSIGN(out.delay_s, span(fields, "delay"));
  if (const auto number = fields.find("number")) {
    TRY_ASSIGN(const long long value, number->integer(-32768, 32767));
    out.number = static_cast<int>(value);
  }
  if (const auto text = fields.find("text")) {
    TRY_ASSIGN(out.text, text->text());
  }
  TRY_ASSIGN(const auto times, count(fields, "times", 0));
  out.times = times.value_or(out.chance ? 0 : 1);
  TRY(fields.finish());
  return out;
}

}  // namespace

const std::string& word(TroubleKind kind) {
  return kind_words().at(static_cast<std::size_t>(kind));
}

Result<std::vector<Trouble>> decode_troubles(const json::Node& node) {
  TRY_ASSIGN(const std::vector<json::Node> elements, node.elements());
  std::vector<Trouble> out;
  for (const json::Node& element : elements) {
    TRY_ASSIGN(Trouble trouble, decode_trouble(element));
    out.push_back(std::move(trouble));
  }
  return out;
}

Troubles::Troubles(std::vector<Trouble> list, std::uint64_t seed) : random_(seed) {
  for (Trouble& trouble : list) list_.push_back({std::move(trouble)});
}

std::vector<Trouble> Troubles::strike(std::string_view message, double since_start) {
  ++messages_;
  std::vector<Trouble> out;
  for (Entry& entry : list_) {
    const Trouble& trouble = entry.trouble;
    if (trouble.times != 0 && entry.struck >= trouble.times) continue;
    if (trouble.command && *trouble.command != messages_) continue;
    if (!upper(message).contains(trouble.header)) continue;
    if (trouble.at_s && since_start < *trouble.at_s) continue;
    if (trouble.chance && random_.uniform() >= *trouble.chance) continue;
    ++entry.struck;
    ++strikes_[trouble.kind];
    out.push_back(trouble);
  }
  return out;
}

bool Troubles::needs_no_message(const Trouble& trouble) {
  if (!trouble.at_s || trouble.command || trouble.chance || !trouble.header.empty()) return false;
  switch (trouble.kind) {
    case TroubleKind::drop:
    case TroubleKind::reset:
    case TroubleKind::error_entry:
    case TroubleKind::never_complete:
    case TroubleKind::wrong_identity:
    case TroubleKind::power_loss: return true;
    default: return false;  // something is wrong with an answer
  }
}

std::vector<double> Troubles::moments() const {
  std::vector<double> out;
  for (const Entry& entry : list_) {
    if (needs_no_message(entry.trouble)) out.push_back(*entry.trouble.at_s);
  }
  return out;
}

std::vector<Trouble> Troubles::strike_at(double since_start) {
  std::vector<Trouble> out;
  for (Entry& entry : list_) {
    const bool due = needs_no_message(entry.trouble) && entry.struck == 0 &&
                     since_start >= *entry.trouble.at_s;
    if (!due) continue;
    ++entry.struck;
    ++strikes_[entry.trouble.kind];
    out.push_back(entry.trouble);
  }
  return out;
}

}  // namespace nightbench::mock::server
