// Program messages taken apart: IEEE 488.2 chapter 7 with the SCPI-1999 data types, unit by unit.
//
// Lexical only: what a header means is command_tree.hpp's affair. Units are given out one at a
// time, so that those before an error run, as in an instrument. Written from the standards alone
// and apart from the parser that reads instrument answers: the one is to check the other. Pure.
#pragma once

#include <cstddef>
#include <cstdint>
#include <expected>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "mock_instruments/instrument/scpi_error.hpp"

namespace nightbench::mock::instrument {

template <typename T>
using Parsed = std::expected<T, ScpiError>;

// "OUTP2" is the keyword OUTP with suffix 2. Letters in upper case.
struct Keyword {
  std::string name;
  std::optional<int> suffix;
};

struct Header {
  bool common = false;    // *IDN?
  bool absolute = false;  // began with ':'
  bool query = false;
  std::vector<Keyword> path;
  std::string text;  // as written
};

enum class DataKind : std::uint8_t { decimal, non_decimal, word, text, block, expression };

// One data element. `text`: a word in upper case, a string without its quotes, the bytes of a
// block, an expression with its parentheses.
struct Data {
  DataKind kind = DataKind::decimal;
  double value = 0.0;  // decimal and non-decimal; infinite beyond the range of a double
  std::string suffix;  // of a decimal, upper case
  std::string text;
};

struct MessageUnit {
  Header header;
  std::vector<Data> data;
};

// Walks through one program message (without its terminator).
class MessageParser {
 public:
  explicit MessageParser(std::string message);

  // The next unit; nothing at the end. A command error (-101 to -171) ends the message: what
  // follows it is thrown away (IEEE 488.2, 6.1.6, from memory).
  Parsed<std::optional<MessageUnit>> next();

 private:
  Parsed<MessageUnit> unit();
  Parsed<Header> header();
  Parsed<Keyword> mnemonic();
  Parsed<Data> element();
  Parsed<Data> decimal();
  Parsed<Data> non_decimal();
  Parsed<Data> word();
  Parsed<Data> string();
  Parsed<Data> block();
  Parsed<Data> expression();
  Parsed<std::string> suffix();

  bool at_end() const { return at_ >= message_.size(); }
  char peek() const { return at_end() ? '\0' : message_[at_]; }
  void skip_white();

  std::string message_;
  std::size_t at_ = 0;
  bool first_ = true;
  bool done_ = false;
};

// What stands for a suffix's unit where a parameter takes one.
enum class SuffixUnit : std::uint8_t {
  none,
  hertz,
  second,
  volt,
  ampere,
  ohm,
  dbm,
  db,
  degree,
  percent
};

// The factor of a suffix with its multiplier (SCPI-1999 volume 1, 7.2.2 and 7.5): "MHZ" is 1e6,
// "MV" 1e-3, "RAD" 180/pi for a degree. Nothing when it does not fit the unit (-131).
std::optional<double> suffix_factor(std::string_view suffix, SuffixUnit unit);

// "(@1,3:5,2!4)" as channels, each a list of its dimensions; ranges filled in (SCPI-1999 volume 1,
// 8.3.2). Errors: -171 malformed, -223 more than 1000 channels.
Parsed<std::vector<std::vector<int>>> channel_list(std::string_view expression);

// Whether `word` (upper case) is the long or the short form of `pattern`, whose capitals make the
// short form: "FREQuency" (SCPI-1999 volume 1, 6.2.1).
bool matches(std::string_view word, std::string_view pattern);
// "FREQ" of "FREQuency".
std::string short_form(std::string_view pattern);

}  // namespace nightbench::mock::instrument
