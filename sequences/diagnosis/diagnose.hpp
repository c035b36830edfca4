// Fault finding: from the readings of a run to ranked causes with the readings for and against
// each, the next measurement that tells the first ones apart, and the repair.
//
// Works from the record, the board type kept in it and a fault book alone. Says "does not look like
// anything in the book" rather than naming the least unlikely fault. Pure.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "sequences/diagnosis/fault_book.hpp"
#include "sequences/diagnosis/next_check.hpp"
#include "sequences/record/run.hpp"

namespace nightbench::diagnosis {

enum class Conclusion : std::uint8_t {
  nothing_measured,  // no reading that the book can judge
  healthy,           // as a good board, as far as was measured
  fault,             // one cause stands out
  unclear,           // several causes are about as likely
  not_in_the_book,   // no cause of the book explains the readings
};
const char* word(Conclusion conclusion);  // "healthy", "not in the book", ...

// One reading and what it says about a cause.
struct Says {
  std::string title;     // "I/Q gain balance"
  std::string shown;     // "-5.01 dB"
  std::string expected;  // by the cause: "about -6 dB"
  double weight = 0;     // natural logarithm of the likelihood over that of a good board
};

// A fault that a board which looks good may have all the same: nothing measured would show it.
struct Unseen {
  std::string fault;  // id in the book
  std::string title;
};

// One fault, or two that are there together.
struct Cause {
  std::vector<std::string> faults;  // ids in the book
  std::string title;
  std::string size;  // what fits best of its sizes, "" when it has none
  double probability = 0;
  std::string about;
  std::vector<Says> speaks_for, speaks_against;  // strongest first
  std::vector<std::string> repairs, cautions;
};

struct NextCheck {
  std::string id;     // as in the board type; "outputs", "power"
  std::string title;
  std::string where;  // "U1 pin 6, C1"; "" for a question
  int moves = 0;      // probes to move, all of them lying on the table
  double bits = 0;    // of what is not known yet, expected
};

struct Diagnosis {
  Conclusion conclusion = Conclusion::nothing_measured;
  std::string sentence;           // the conclusion for people
  double healthy = 0;             // probability of a good board
  double unknown = 0;             // of something that is not in the book
  std::vector<Cause> causes;      // most probable first, at most `Options::most_causes`
  std::vector<Unseen> unseen;     // of a healthy conclusion only, in the order of the book
  std::vector<NextCheck> next;    // best first, at most three; none when nothing is left to learn
  std::size_t readings = 0;       // that were weighed
};

struct Options {
  std::size_t most_causes = 5;
  bool pairs = true;
};

// Errors: bad_input when the record's board type cannot be decoded.
Result<Diagnosis> diagnose(const record::Run& run, const FaultBook& book, const Options& options = {});
Diagnosis diagnose(const record::Run& run, const script::BoardType& type, const FaultBook& book,
                   const Options& options = {});

// The board type as the record kept it.
Result<script::BoardType> board_type_of(const record::Run& run);

}  // namespace nightbench::diagnosis
