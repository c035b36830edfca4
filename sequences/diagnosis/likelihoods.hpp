// Every fault of a book set against every observation of a run, and from that the posterior over
// good, one fault, two faults, and something that the book does not know. Pure.
//
// A fault that can amount to several sizes is averaged over them. Two faults are looked at where at
// least one of them explains something by itself. Something unknown is a board any share of whose
// readings may be anything.
#pragma once

#include <cstddef>
#include <vector>

#include "sequences/diagnosis/evidence.hpp"
#include "sequences/diagnosis/fault_book.hpp"

namespace nightbench::diagnosis {

// Faults by their index in the book with the size that fits best; none: a good board.
struct Hypothesis {
  struct Part {
    std::size_t fault = 0, size = 0;
  };
  std::vector<Part> parts;
  bool unknown = false;    // something that is not in the book
  double probability = 0;  // posterior
};

// What `hypothesis` expects at a reading; `healthy` is the good board's.
Expectation expected_of(const FaultBook& book, const Hypothesis& hypothesis,
                        const std::string& reading, double if_hz, const Expectation& healthy,
                        Scale scale);

// What a good board shows at a reading: the book's word, else the board type's limits; nothing
// when neither says.
std::optional<Expectation> healthy_at(const BookReading& reading, const script::BoardType& type);

struct Judged {
  const Observation* observation = nullptr;
  const BookReading* reading = nullptr;
  Expectation healthy;
};

// The observations that the book can judge.
std::vector<Judged> judged(const std::vector<Observation>& evidence, const FaultBook& book,
                           const script::BoardType& type);

// All hypotheses, most probable first; probabilities add up to 1. `pairs`: also two faults at once.
std::vector<Hypothesis> posterior(const FaultBook& book, const std::vector<Judged>& evidence,
                                  bool pairs = true);

// Faults that these readings would not show, by their index in the book: by what the book says for
// certain, and not merely "unknown", they leave each of them about as likely as before.
std::vector<std::size_t> unseen_faults(const FaultBook& book, const std::vector<Judged>& evidence);

}  // namespace nightbench::diagnosis
