#include "mock_instruments/instrument/scpi_parser.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <limits>
#include <numbers>
#include <utility>

#include "drivers/base/error.hpp"

namespace nightbench::mock::instrument {
namespace {

constexpr std::size_t kMostMnemonic = 12;        // IEEE 488.2, 7.6.1.4.1
constexpr std::size_t kMostSuffix = 12;          // IEEE 488.2, 7.7.3.4
constexpr std::size_t kMostMantissa = 255;       // IEEE 488.2, 7.7.2.4.1
constexpr long kMostExponent = 32000;            // the same
constexpr std::size_t kMostListChannels = 1000;  // our own bound

bool is_letter(char c) {
  return (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z');
}
bool is_digit(char c) {
  return c >= '0' && c <= '9';
}
bool is_white(char c) {
  return static_cast<unsigned char>(c) <= 0x20 && c != '\n';  // IEEE 488.2, 7.4.1.2
}
bool is_word_character(char c) {
  return is_letter(c) || is_digit(c) || c == '_';
}
std::unexpected<ScpiError> wrong(int number, std::string detail) {
  return std::unexpected(ScpiError{number, std::move(detail)});
}
char upper(char c) {
  return c >= 'a' && c <= 'z' ? static_cast<char>(c - 'a' + 'A') : c;
}

// Characters that begin or part no syntactic element at all.
bool is_alien(char c) {
  return static_cast<unsigned char>(c) >= 0x7F || c == '\n' ||
         std::string_view("!$%&<=>[]\\^`{|}~").find(c) != std::string_view::npos;
}

}  // namespace

MessageParser::MessageParser(std::string message) : message_(std::move(message)) {}

void MessageParser::skip_white() {
  while (!at_end() && is_white(peek())) ++at_;
}

Parsed<std::optional<MessageUnit>> MessageParser::next() {
  if (done_) return std::nullopt;
  skip_white();
  if (first_ && at_end()) {  // an empty message is legal
    done_ = true;
    return std::nullopt;
  }
  first_ = false;
  Parsed<MessageUnit> found = unit();
  if (!found) {
    done_ = true;
    return std::unexpected(std::move(found).error());
  }
  return std::optional<MessageUnit>(*std::move(found));
}

Parsed<MessageUnit> MessageParser::unit() {
  MessageUnit out;
  TRY_ASSIGN(out.header, header());
  const bool separated = !at_end() && is_white(peek());
  skip_white();
  if (!at_end() && peek() != ';' && !separated) {
    return wrong(is_alien(peek()) ? -101 : -111, out.header.text);
  }
  bool more = !at_end() && peek() != ';';
  while (more) {
    TRY_ASSIGN(Data data, element());
    out.data.push_back(std::move(data));
    skip_white();
    more = !at_end() && peek() == ',';
    if (more) ++at_;
    if (!more && !at_end() && peek() != ';') {
      return wrong(is_alien(peek()) ? -101 : -103, out.header.text);
    }
    if (more) skip_white();
  }
  if (at_end())
    done_ = true;
  else
    ++at_;  // the ';'
  return out;
}

Parsed<Header> MessageParser::header() {
  Header out;
  const std::size_t start = at_;
  if (at_end() || peek() == ';') return wrong(-102, "empty message unit");
  if (peek() == '*') {
    out.common = true;
    ++at_;
  } else if (peek() == ':') {
    out.absolute = true;
    ++at_;
  } else if (!is_letter(peek())) {
    return wrong(is_alien(peek()) ? -101 : -110, "");
  }
  TRY_ASSIGN(Keyword first, mnemonic());
  out.path.push_back(std::move(first));
  while (!out.common && peek() == ':') {
    ++at_;
    TRY_ASSIGN(Keyword next_one, mnemonic());
    out.path.push_back(std::move(next_one));
  }
  if (peek() == '?') {
    out.query = true;
    ++at_;
  }
  out.text = message_.substr(start, at_ - start);
  return out;
}

Parsed<Keyword> MessageParser::mnemonic() {
  if (!is_letter(peek())) return wrong(!at_end() && is_alien(peek()) ? -101 : -102, "");
  const std::size_t start = at_;
  while (!at_end() && is_word_character(peek())) ++at_;
  std::string name = message_.substr(start, at_ - start);
  if (name.size() > kMostMnemonic) return wrong(-112, name.substr(0, 40));
  std::ranges::transform(name, name.begin(), upper);
  Keyword out;
  std::size_t letters = name.size();
  while (letters > 0 && is_digit(name[letters - 1])) --letters;
  if (letters < name.size()) {
    int suffix = 0;
    const auto [end, failed] =
        std::from_chars(name.data() + letters, name.data() + name.size(), suffix);
    out.suffix = failed == std::errc() ? suffix : std::numeric_limits<int>::max();
  }
  out.name = name.substr(0, letters);
  return out;
}

Parsed<Data> MessageParser::element() {
  if (at_end() || peek() == ';' || peek() == ',') return wrong(-102, "missing data");
  const char c = peek();
  if (is_digit(c) || c == '+' || c == '-' || c == '.') return decimal();
  if (is_letter(c)) return word();
  if (c == '"' || c == '\'') return string();
  if (c == '(') return expression();
  if (c == '#') {
    const char kind = at_ + 1 < message_.size() ? upper(message_[at_ + 1]) : '\0';
    if (is_digit(kind)) return block();
    if (kind == 'H' || kind == 'Q' || kind == 'B') return non_decimal();
    return wrong(-160, "");
  }
  return wrong(is_alien(c) ? -101 : -102, "");
}

Parsed<Data> MessageParser::decimal() {
  Data out;
  std::string digits;
  if (peek() == '+' || peek() == '-') {
    if (peek() == '-') digits += '-';
    ++at_;
  }
  std::size_t counted = 0;
  std::size_t written = 0;
  bool point = false;
  for (; is_digit(peek()) || (peek() == '.' && !point); ++at_) {
    digits += peek();
    point = point || peek() == '.';
    written += is_digit(peek()) ? 1 : 0;
    if (is_digit(peek()) && (counted > 0 || peek() != '0')) ++counted;
  }
  if (written == 0 || peek() == '.') return wrong(-121, "");
  if (counted > kMostMantissa) return wrong(-124, "");

  // An exponent, unless the letter begins a suffix such as EXHZ. White space is allowed around E.
  std::size_t ahead = at_;
  while (ahead < message_.size() && is_white(message_[ahead])) ++ahead;
  long exponent = 0;
  if (ahead < message_.size() && upper(message_[ahead]) == 'E') {
    ++ahead;
    while (ahead < message_.size() && is_white(message_[ahead])) ++ahead;
    const bool sign = ahead < message_.size() && (message_[ahead] == '+' || message_[ahead] == '-');
    const bool negative = sign && message_[ahead] == '-';
    if (sign) ++ahead;
    const std::size_t start = ahead;
    for (; ahead < message_.size() && is_digit(message_[ahead]); ++ahead) {
      exponent = std::min(exponent * 10 + (message_[ahead] - '0'), kMostExponent + 1);
    }
    if (ahead > start) {
      at_ = ahead;
      if (exponent > kMostExponent) return wrong(-123, "");
      if (negative) exponent = -exponent;
    } else if (sign) {
      return wrong(-121, "");
    }
  }

  digits += 'e' + std::to_string(exponent);
  const auto [end, failed] =
      std::from_chars(digits.data(), digits.data() + digits.size(), out.value);
  if (failed == std::errc::result_out_of_range) {
    const double size =
        exponent > 0 || counted > 300 ? std::numeric_limits<double>::infinity() : 0.0;
    out.value = digits.front() == '-' ? -size : size;
  }
  if (!at_end() && is_alien(peek())) return wrong(-121, "");
  const std::size_t before = at_;
  skip_white();
  if (is_letter(peek()) || peek() == '/') {
    TRY_ASSIGN(out.suffix, suffix());
  } else {
    at_ = before;
  }
  return out;
}

Parsed<std::string> MessageParser::suffix() {
  std::string out;
  const auto belongs = [](char c) {
    return is_word_character(c) || c == '/' || c == '.' || c == '-';
  };
  for (; !at_end() && belongs(peek()); ++at_) out += upper(peek());
  if (out.size() > kMostSuffix) return wrong(-134, out.substr(0, 40));
  if (!at_end() && is_alien(peek())) return wrong(-131, out);
  return out;
}

Parsed<Data> MessageParser::non_decimal() {
  Data out;
  out.kind = DataKind::non_decimal;
  const char kind = upper(message_[at_ + 1]);
  const int base = kind == 'H' ? 16 : kind == 'Q' ? 8 : 2;
  at_ += 2;
  std::size_t count = 0;
  for (; !at_end() && (is_letter(peek()) || is_digit(peek())); ++at_, ++count) {
    const char c = upper(peek());
    const int digit = is_digit(c) ? c - '0' : c - 'A' + 10;
    if (digit >= base) return wrong(-121, "");
    out.value = out.value * base + digit;
  }
  if (count == 0) return wrong(-121, "");
  return out;
}

Parsed<Data> MessageParser::word() {
  Data out;
  out.kind = DataKind::word;
  for (; !at_end() && is_word_character(peek()); ++at_) out.text += upper(peek());
  if (out.text.size() > kMostMnemonic) return wrong(-144, out.text.substr(0, 40));
  if (!at_end() && is_alien(peek())) return wrong(-141, out.text);
  return out;
}

Parsed<Data> MessageParser::string() {
  Data out;
  out.kind = DataKind::text;
  const char quote = message_[at_++];
  for (; !at_end(); ++at_) {
    if (peek() == quote) {
      if (at_ + 1 >= message_.size() || message_[at_ + 1] != quote) {
        ++at_;
        return out;
      }
      ++at_;  // a doubled quote stands for one
    }
    out.text += peek();
  }
  return wrong(-151, "");
}

Parsed<Data> MessageParser::block() {
  Data out;
  out.kind = DataKind::block;
  const auto width = static_cast<std::size_t>(message_[at_ + 1] - '0');
  at_ += 2;
  if (width == 0) {  // indefinite: up to the end of the message
    out.text = message_.substr(at_);
    at_ = message_.size();
    return out;
  }
  std::size_t length = 0;
  for (std::size_t i = 0; i < width; ++i, ++at_) {
    if (!is_digit(peek())) return wrong(-161, "");
    length = length * 10 + static_cast<std::size_t>(peek() - '0');
  }
  if (message_.size() - at_ < length) return wrong(-161, "");
  out.text = message_.substr(at_, length);
  at_ += length;
  return out;
}

Parsed<Data> MessageParser::expression() {
  Data out;
  out.kind = DataKind::expression;
  const std::size_t start = at_;
  int depth = 0;
  for (; !at_end(); ++at_) {
    if (peek() == '(') ++depth;
    if (peek() == ')' && --depth == 0) {
      ++at_;
      out.text = message_.substr(start, at_ - start);
      return out;
    }
    if (peek() == ';' || is_alien(peek())) {
      if (peek() != '!') break;  // '!' parts the dimensions of a channel
    }
  }
  return wrong(-171, "");
}

std::optional<double> suffix_factor(std::string_view suffix, SuffixUnit unit) {
  struct Base {
    SuffixUnit unit;
    std::string_view text;
    double factor;
    bool multiplied;
  };
  static constexpr std::array kBases{
      Base{SuffixUnit::hertz, "HZ", 1.0, true},
      Base{SuffixUnit::second, "S", 1.0, true},
      Base{SuffixUnit::volt, "V", 1.0, true},
      Base{SuffixUnit::volt, "VPP", 1.0, true},
      Base{SuffixUnit::ampere, "A", 1.0, true},
      Base{SuffixUnit::ohm, "OHM", 1.0, true},
      Base{SuffixUnit::dbm, "DBM", 1.0, false},
      Base{SuffixUnit::db, "DB", 1.0, false},
      Base{SuffixUnit::degree, "DEG", 1.0, false},
      Base{SuffixUnit::degree, "RAD", 180.0 / std::numbers::pi, false},
      Base{SuffixUnit::percent, "PCT", 1.0, false},
  };
  static constexpr std::array<std::pair<std::string_view, double>, 12> kMultipliers{{
      {"EX", 1e18},
      {"PE", 1e15},
      {"T", 1e12},
      {"G", 1e9},
      {"MA", 1e6},
      {"K", 1e3},
      {"M", 1e-3},
      {"U", 1e-6},
      {"N", 1e-9},
      {"P", 1e-12},
      {"F", 1e-15},
      {"A", 1e-18},
  }};
  for (const Base& base : kBases) {
    if (base.unit != unit || !suffix.ends_with(base.text)) continue;
    const std::string_view multiplier = suffix.substr(0, suffix.size() - base.text.size());
    if (multiplier.empty()) return base.factor;
    if (!base.multiplied) continue;
    // The exception of volume 1, 7.2.2: M before HZ and OHM is mega.
    const bool mega = unit == SuffixUnit::hertz || unit == SuffixUnit::ohm;
    if (multiplier == "M" && mega) return 1e6 * base.factor;
    for (const auto& [text, factor] : kMultipliers) {
      if (multiplier == text) return factor * base.factor;
    }
  }
  return std::nullopt;
}

namespace {

// Reads "2!4" at the front of `rest`; empty when there is no number.
std::vector<int> channel(std::string_view& rest) {
  std::vector<int> out;
  for (;;) {
    while (!rest.empty() && is_white(rest.front())) rest.remove_prefix(1);
    int number = 0;
    const auto [end, failed] = std::from_chars(rest.data(), rest.data() + rest.size(), number);
    if (failed != std::errc() || number < 0) return {};
    rest.remove_prefix(static_cast<std::size_t>(end - rest.data()));
    out.push_back(number);
    while (!rest.empty() && is_white(rest.front())) rest.remove_prefix(1);
    if (rest.empty() || rest.front() != '!') return out;
    rest.remove_prefix(1);
  }
}

}  // namespace

Parsed<std::vector<std::vector<int>>> channel_list(std::string_view text) {
  const auto malformed = [] { return wrong(-171, ""); };
  if (!text.starts_with("(@") || !text.ends_with(")")) return malformed();
  std::string_view rest = text.substr(2, text.size() - 3);
  std::vector<std::vector<int>> out;
  while (!rest.empty() && is_white(rest.front())) rest.remove_prefix(1);
  if (rest.empty()) return out;
  for (;;) {
    const std::vector<int> first = channel(rest);
    if (first.empty()) return malformed();
    std::vector<int> last = first;
    if (!rest.empty() && rest.front() == ':') {
      rest.remove_prefix(1);
      last = channel(rest);
      if (last.size() != first.size()) return malformed();
    }
    // Every dimension runs from its first to its last value, the last one fastest.
    std::vector<int> at = first;
    for (bool more = true; more;) {
      if (out.size() >= kMostListChannels) return wrong(-223, "");
      out.push_back(at);
      more = false;
      for (std::size_t i = at.size(); i-- > 0 && !more;) {
        if (at[i] != last[i]) {
          at[i] += last[i] > at[i] ? 1 : -1;
          more = true;
        } else {
          at[i] = first[i];
        }
      }
    }
    if (rest.empty()) return out;
    if (rest.front() != ',') return malformed();
    rest.remove_prefix(1);
  }
}

std::string short_form(std::string_view pattern) {
  std::string out;
  for (const char c : pattern) {
    if (c < 'a' || c > 'z') out += c;
  }
  return out;
}

bool matches(std::string_view word, std::string_view pattern) {
  const bool whole = word.size() == pattern.size() &&
                     std::ranges::equal(word, pattern, {}, {}, [](char c) { return upper(c); });
  return whole || word == short_form(pattern);
}

}  // namespace nightbench::mock::instrument
