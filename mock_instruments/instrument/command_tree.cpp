#include "mock_instruments/instrument/command_tree.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <map>
#include <utility>

#include "drivers/base/error.hpp"

namespace nightbench::mock::instrument {
namespace {

std::unexpected<ScpiError> wrong(int number, std::string detail = {}) {
  return std::unexpected(ScpiError{number, std::move(detail)});
}

// A keyword of a pattern: "OUTPut<1:2>".
struct PatternKeyword {
  std::string text;
  int least = 1;
  int most = 1;
  bool suffixed = false;
};
using Path = std::vector<PatternKeyword>;

PatternKeyword pattern_keyword(std::string_view text) {
  PatternKeyword out;
  const std::size_t open = text.find('<');
  out.text = text.substr(0, open);
  if (open == std::string_view::npos) return out;
  out.suffixed = true;
  const std::size_t colon = text.find(':', open);
  std::from_chars(text.data() + open + 1, text.data() + colon, out.least);
  std::from_chars(text.data() + colon + 1, text.data() + text.size(), out.most);
  return out;
}

std::vector<std::string_view> split(std::string_view text, char at) {
  std::vector<std::string_view> out;
  for (;;) {
    const std::size_t end = text.find(at);
    out.push_back(text.substr(0, end));
    if (end == std::string_view::npos) return out;
    text.remove_prefix(end + 1);
  }
}

// ":A:B<1:2>" into keywords. Colons inside <> do not part.
Path keywords(std::string_view text) {
  Path out;
  std::string current;
  bool inside = false;
  for (const char c : text) {
    if (c == '<') inside = true;
    if (c == '>') inside = false;
    if (c == ':' && !inside) {
      if (!current.empty()) out.push_back(pattern_keyword(current));
      current.clear();
    } else {
      current += c;
    }
  }
  if (!current.empty()) out.push_back(pattern_keyword(current));
  return out;
}

// Every sequence of keywords that the pattern stands for.
std::vector<Path> expand(std::string_view pattern) {
  std::vector<Path> out{{}};
  while (!pattern.empty()) {
    const char open = pattern.front();
    const bool group = open == '[' || open == '(';
    const std::size_t end = group ? pattern.find(open == '[' ? ']' : ')')
                                  : std::min(pattern.find_first_of("[("), pattern.size());
    const std::string_view part = group ? pattern.substr(1, end - 1) : pattern.substr(0, end);
    pattern.remove_prefix(group ? end + 1 : end);
    std::vector<Path> longer;
    for (const Path& before : out) {
      if (open == '[') longer.push_back(before);
      for (const std::string_view choice : split(part, '|')) {
        Path path = before;
        for (PatternKeyword& keyword : keywords(choice)) path.push_back(std::move(keyword));
        longer.push_back(std::move(path));
      }
    }
    out = std::move(longer);
  }
  return out;
}

// The error for an element of the wrong type (SCPI-1999 volume 2, 21.8.9).
int not_allowed(DataKind kind) {
  switch (kind) {
    case DataKind::decimal:
    case DataKind::non_decimal:
      return -128;
    case DataKind::word:
      return -148;
    case DataKind::text:
      return -158;
    case DataKind::block:
      return -168;
    case DataKind::expression:
      return -178;
  }
  return -104;
}

Parsed<double> number_of(const Data& data, SuffixUnit unit) {
  if (data.suffix.empty()) return data.value;
  if (unit == SuffixUnit::none) return wrong(-138, data.suffix);
  const auto factor = suffix_factor(data.suffix, unit);
  if (!factor) return wrong(-131, data.suffix);
  return data.value * *factor;
}

Parsed<Value> number_value(const Data& data, const Parameter& parameter) {
  Value out;
  if (data.kind == DataKind::decimal || data.kind == DataKind::non_decimal) {
    TRY_ASSIGN(out.number, number_of(data, parameter.unit));
    return out;
  }
  if (data.kind != DataKind::word) return wrong(not_allowed(data.kind));
  if (parameter.special) {
    if (matches(data.text, "MINimum")) out.special = Special::minimum;
    if (matches(data.text, "MAXimum")) out.special = Special::maximum;
    if (matches(data.text, "DEFault")) out.special = Special::standard;
    if (out.special != Special::none) return out;
  }
  if (matches(data.text, "INFinity") || matches(data.text, "NINFinity") || data.text == "NAN") {
    out.number = data.text == "NAN"         ? std::nan("")
                 : data.text.front() == 'N' ? -HUGE_VAL
                                            : HUGE_VAL;
    return out;
  }
  return wrong(parameter.special ? -141 : -148, data.text);
}

Parsed<Value> value_of(const Data& data, const Parameter& parameter) {
  Value out;
  switch (parameter.type) {
    case ParameterType::number:
      return number_value(data, parameter);
    case ParameterType::boolean:
      if (data.kind == DataKind::word) {
        if (data.text != "ON" && data.text != "OFF") return wrong(-141, data.text);
        out.on = data.text == "ON";
        return out;
      }
      if (data.kind != DataKind::decimal && data.kind != DataKind::non_decimal) {
        return wrong(not_allowed(data.kind));
      }
      if (!data.suffix.empty()) return wrong(-138, data.suffix);
      out.on = std::round(data.value) != 0.0;  // SCPI-1999 volume 1, 7.3
      return out;
    case ParameterType::word:
      if (data.kind != DataKind::word) return wrong(not_allowed(data.kind));
      for (; out.word < parameter.words.size(); ++out.word) {
        if (matches(data.text, parameter.words[out.word])) return out;
      }
      return wrong(-141, data.text);
    case ParameterType::text:
      if (data.kind != DataKind::text) return wrong(not_allowed(data.kind));
      out.text = data.text;
      return out;
    case ParameterType::channels:
      if (data.kind != DataKind::expression) return wrong(not_allowed(data.kind));
      TRY_ASSIGN(out.channels, channel_list(data.text));
      return out;
  }
  return wrong(-104);
}

}  // namespace

Parameter number(SuffixUnit unit, bool special) {
  Parameter out;
  out.unit = unit;
  out.special = special;
  return out;
}
Parameter boolean() {
  Parameter out;
  out.type = ParameterType::boolean;
  return out;
}
Parameter word(std::vector<std::string> words) {
  Parameter out;
  out.type = ParameterType::word;
  out.words = std::move(words);
  return out;
}
Parameter text() {
  Parameter out;
  out.type = ParameterType::text;
  return out;
}
Parameter channels() {
  Parameter out;
  out.type = ParameterType::channels;
  return out;
}
Parameter optional(Parameter parameter) {
  parameter.optional = true;
  return parameter;
}

void Call::answer(std::string_view data) {
  if (!response)
    response = std::string(data);
  else
    response->append(1, ',').append(data);
}

void Call::error(int number, std::string detail) {
  refusal = {number, std::move(detail)};
}

struct CommandTree::Command {
  std::vector<Parameter> parameters;
  Handler run;
};

struct CommandTree::Node {
  PatternKeyword keyword;
  std::vector<std::unique_ptr<Node>> children;
  std::shared_ptr<const Command> set;
  std::shared_ptr<const Command> query;

  Node* child(const PatternKeyword& wanted) {
    for (const auto& each : children) {
      if (each->keyword.text == wanted.text && each->keyword.suffixed == wanted.suffixed) {
        return each.get();
      }
    }
    children.push_back(std::make_unique<Node>());
    children.back()->keyword = wanted;
    return children.back().get();
  }
  const Node* match(const Keyword& word) const {
    for (const auto& each : children) {
      if (matches(word.name, each->keyword.text)) return each.get();
    }
    return nullptr;
  }
};

CommandTree::CommandTree() : root_(std::make_unique<Node>()), path_(root_.get()) {}
CommandTree::~CommandTree() = default;

void CommandTree::add(std::string_view pattern, std::vector<Parameter> parameters, Handler run) {
  const bool query = pattern.ends_with('?');
  if (query) pattern.remove_suffix(1);
  const auto command =
      std::make_shared<const Command>(Command{std::move(parameters), std::move(run)});
  for (const Path& path : expand(pattern)) {
    Node* node = root_.get();
    for (const PatternKeyword& keyword : path) node = node->child(keyword);
    (query ? node->query : node->set) = command;
  }
}

void CommandTree::add_number(std::string_view pattern, SuffixUnit unit,
                             std::function<Limits(const Call&)> limits,
                             std::function<double(const Call&)> get,
                             std::function<void(Call&, double)> set) {
  const auto pick = [](const Limits& range, const Value& value) {
    switch (value.special) {
      case Special::minimum:
        return range.least;
      case Special::maximum:
        return range.most;
      case Special::standard:
        return range.standard;
      case Special::none:
        break;
    }
    return value.number;
  };
  add(pattern, {number(unit, true)}, [=](Call& call) {
    const Limits range = limits(call);
    const double wanted = pick(range, call.values[0]);
    // Room for the rounding of "0.1" and the like, but for nothing that a person would call more.
    constexpr double kSlack = 1e-12;
    const double least = range.least - kSlack * std::fabs(range.least);
    const double most = range.most + kSlack * std::fabs(range.most);
    if (!(wanted >= least && wanted <= most)) return call.error(-222);
    set(call, std::clamp(wanted, range.least, range.most));
  });
  add(std::string(pattern) + '?', {optional(word({"MINimum", "MAXimum", "DEFault"}))},
      [=](Call& call) {
        if (!call.has(0)) return call.answer(nr3(get(call)));
        const Limits range = limits(call);
        const std::array<double, 3> choices{range.least, range.most, range.standard};
        call.answer(nr3(choices[call.values[0].word]));
      });
}

void CommandTree::add_boolean(std::string_view pattern, std::function<bool(const Call&)> get,
                              std::function<void(Call&, bool)> set) {
  add(pattern, {boolean()}, [=](Call& call) { set(call, call.values[0].on); });
  add(std::string(pattern) + '?', {}, [=](Call& call) { call.answer(get(call) ? "1" : "0"); });
}

void CommandTree::add_word(std::string_view pattern, std::vector<std::string> words,
                           std::function<std::size_t(const Call&)> get,
                           std::function<void(Call&, std::size_t)> set) {
  add(pattern, {word(words)}, [=](Call& call) { set(call, call.values[0].word); });
  add(std::string(pattern) + '?', {},
      [=](Call& call) { call.answer(short_form(words[get(call)])); });
}

void CommandTree::start_message() {
  path_ = root_.get();
}

const CommandTree::Command* CommandTree::find(const Header& header, std::vector<int>& suffixes,
                                              int& failure) {
  failure = -113;
  const Node* node = header.common || header.absolute ? root_.get() : path_;
  const Node* parent = node;
  if (header.common) {
    const Keyword& word = header.path.front();
    for (const auto& each : root_->children) {
      const std::string& name = each->keyword.text;
      if (name.front() == '*' && name.substr(1) == word.name && !word.suffix) {
        return (header.query ? each->query : each->set).get();
      }
    }
    return nullptr;
  }
  bool out_of_range = false;
  if (!header.absolute) suffixes = path_suffixes_;
  std::vector<int> above;
  for (const Keyword& word : header.path) {
    parent = node;
    above = suffixes;
    node = node->match(word);
    if (node == nullptr) return nullptr;
    const int suffix = word.suffix.value_or(1);
    out_of_range = out_of_range || suffix < node->keyword.least || suffix > node->keyword.most;
    if (node->keyword.suffixed) suffixes.push_back(suffix);
  }
  const Command* found = (header.query ? node->query : node->set).get();
  if (found == nullptr) return nullptr;
  if (out_of_range) {
    failure = -114;  // SCPI-1999 volume 1, 6.2.5.2: not -113
    return nullptr;
  }
  path_ = parent;  // volume 1, 6.2.4: where the last keyword lives
  path_suffixes_ = std::move(above);
  return found;
}

Parsed<void> CommandTree::run(const MessageUnit& unit, Call& call) {
  int failure = 0;
  const Command* command = find(unit.header, call.suffixes, failure);
  if (command == nullptr) return wrong(failure, unit.header.text.substr(0, 60));
  const auto& parameters = command->parameters;
  if (unit.data.size() > parameters.size()) return wrong(-108, unit.header.text);
  for (std::size_t i = 0; i < unit.data.size(); ++i) {
    TRY_ASSIGN(Value value, value_of(unit.data[i], parameters[i]));
    call.values.push_back(std::move(value));
  }
  if (unit.data.size() < parameters.size() && !parameters[unit.data.size()].optional) {
    return wrong(-109, unit.header.text);
  }
  command->run(call);
  if (call.refusal.number != 0) return std::unexpected(call.refusal);
  return {};
}

std::string nr1(long long value) {
  return std::to_string(value);
}

std::string nr3(double value, int digits) {
  if (std::isnan(value)) return "9.91E+37";
  if (std::isinf(value)) return value > 0 ? "9.9E+37" : "-9.9E+37";
  std::array<char, 64> text{};
  const auto [end, failed] = std::to_chars(text.data(), text.data() + text.size(), value,
                                           std::chars_format::scientific, digits);
  std::string out(text.data(), failed == std::errc() ? end : text.data());
  const std::size_t e = out.find('e');
  if (e != std::string::npos) out[e] = 'E';
  return out;
}

std::string quoted(std::string_view text) {
  std::string out = "\"";
  for (const char c : text) {
    if (c == '"') out += '"';
    out += c;
  }
  return out + '"';
}

void append_item(std::string& list, std::string_view item, char separator) {
  if (!list.empty()) list += separator;
  list += item;
}

}  // namespace nightbench::mock::instrument
