// The commands of an instrument as a tree of keywords, and their parameters checked against it.
//
// Headers follow SCPI-1999 volume 1, 6.2: long and short forms exactly, optional nodes, numeric
// suffixes, and the path rules for several units in one message. Handlers see values that have been
// checked for number, type and suffix; what is out of range is theirs to refuse (-222). Used by one
// instrument on its thread.
#pragma once

#include <cstdint>
#include <functional>
#include <initializer_list>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/base/clock.hpp"
#include "mock_instruments/instrument/scpi_parser.hpp"

namespace nightbench::mock::instrument {

enum class Special : std::uint8_t { none, minimum, maximum, standard };

// One parameter of a call. Which member counts follows from the parameter's type.
struct Value {
  double number = 0.0;              // in the parameter's unit
  Special special = Special::none;  // MIN, MAX or DEF in place of the number
  bool on = false;
  std::size_t word = 0;  // index among the parameter's words
  std::string text;
  std::vector<std::vector<int>> channels;
};

enum class ParameterType : std::uint8_t { number, boolean, word, text, channels };

struct Parameter {
  ParameterType type = ParameterType::number;
  SuffixUnit unit = SuffixUnit::none;
  bool special = false;            // a number may be MIN, MAX or DEF
  bool optional = false;           // may be left out; only optional ones may follow
  std::vector<std::string> words;  // patterns such as "POSitive"
};

Parameter number(SuffixUnit unit = SuffixUnit::none, bool special = false);
Parameter boolean();
Parameter word(std::vector<std::string> words);
Parameter text();
Parameter channels();
Parameter optional(Parameter parameter);

// What a handler works with.
class Call {
 public:
  TimePoint now;
  std::vector<int> suffixes;  // of the keywords declared with "<a:b>" that were written
  std::vector<Value> values;

  int suffix(std::size_t i = 0) const { return i < suffixes.size() ? suffixes[i] : 1; }
  bool has(std::size_t i) const { return i < values.size(); }

  // The response data of this unit; several calls are joined by ','.
  void answer(std::string_view data);
  // Refuses the unit: the error is queued and no answer given.
  void error(int number, std::string detail = {});
  // This unit takes so long: its answer, and all that follows, come later by `span`.
  void take(Duration span) { taken += span; }
  // This unit ends at `when` at the earliest.
  void wait_until(TimePoint when) { until = std::max(until, when); }

  Duration taken{};
  TimePoint until{};
  std::optional<std::string> response;
  ScpiError refusal;
};

struct Limits {
  double least;
  double most;
  double standard;
};

class CommandTree {
 public:
  using Handler = std::function<void(Call&)>;

  CommandTree();
  ~CommandTree();
  CommandTree(const CommandTree&) = delete;
  CommandTree& operator=(const CommandTree&) = delete;

  // `pattern`: ":OUTPut<1:2>[:STATe]", "[:SOURce]:FREQuency[:CW|:FIXed]?", "*RST". Capitals are the
  // short form; [] may be left out; | parts alternatives, inside [] or (); <a:b> is the range of a
  // numeric suffix; a final ? makes it a query.
  void add(std::string_view pattern, std::vector<Parameter> parameters, Handler run);

  // A numeric setting with its query, which both take MIN, MAX and DEF. Values outside the limits
  // give -222 and change nothing.
  void add_number(std::string_view pattern, SuffixUnit unit,
                  std::function<Limits(const Call&)> limits, std::function<double(const Call&)> get,
                  std::function<void(Call&, double)> set);
  void add_boolean(std::string_view pattern, std::function<bool(const Call&)> get,
                   std::function<void(Call&, bool)> set);
  // The query answers the short form.
  void add_word(std::string_view pattern, std::vector<std::string> words,
                std::function<std::size_t(const Call&)> get,
                std::function<void(Call&, std::size_t)> set);

  // Back to the root, as at the start of every program message.
  void start_message();
  // Finds the unit's command, checks its parameters and runs it. Errors: -108, -109, -113, -114,
  // -128 to -178 by parameter type, or what the handler refused with.
  Parsed<void> run(const MessageUnit& unit, Call& call);

 private:
  struct Node;
  struct Command;
  const Command* find(const Header& header, std::vector<int>& suffixes, int& failure);
  std::unique_ptr<Node> root_;
  const Node* path_;
  std::vector<int> path_suffixes_;  // of the keywords that lead to path_
};

// Numbers in answers, independent of the locale: NR1 "42", NR3 "1.012500000000E+07"; infinities as
// 9.9E+37 and "not a number" as 9.91E+37 (SCPI-1999 volume 1, 7.2.1.4-5).
std::string nr1(long long value);
std::string nr3(double value, int digits = 12);
std::string quoted(std::string_view text);
// Appends an item to a list, behind `separator` unless it is the first.
void append_item(std::string& list, std::string_view item, char separator = ',');

}  // namespace nightbench::mock::instrument
