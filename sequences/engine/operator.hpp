// The operator seam: what a run asks of the person at the bench, and what comes back. A terminal,
// the web page, a script of answers in tests, and a virtual hand on the simulated bench implement
// it. One question at a time, on the I/O thread.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "drivers/base/clock.hpp"

namespace nightbench::engine {

enum class PromptKind : std::uint8_t {
  question,  // about the board, answered yes or no
  move,      // put one probe somewhere
};

enum class Answer : std::uint8_t {
  yes,
  no,
  done,
  skip,  // leave this measurement out; it is kept as "no reading"
  redo,  // ask for the probes of this measurement from the start
  stop,  // end the run, everything off
};
const char* word(Answer answer);

struct Prompt {
  PromptKind kind = PromptKind::question;
  std::string id;     // of the question; of the measurement for a move
  std::string title;  // one line
  std::string text;   // what to do or look at, with cautions
  std::string doubt;  // why it is asked again; "" the first time
  // The place: names of the board type, "" and 0 where there is none.
  std::string port;        // the probe to move: "scope/1", "meter", "meter/low"
  std::string test_point;  // where to
  std::string part;
  int pin = 0;
  std::string drawing;  // lines of text of equal-width characters
  std::vector<Answer> answers;
  bool powered = false;  // the board is under power now
};

struct Reply {
  Answer answer = Answer::stop;
  std::string remark;  // kept in the record
};

class Operator {
 public:
  virtual ~Operator() = default;
  // Waits for as long as the person takes. Errors: cancelled after withdraw() or when
  // nobody can answer any more (the terminal is closed).
  virtual Awaitable<Result<Reply>> ask(Prompt prompt) = 0;
  // Ends the question that is open, if any, and every later one with `cancelled`: the run is over.
  virtual void withdraw() = 0;
};

}  // namespace nightbench::engine
