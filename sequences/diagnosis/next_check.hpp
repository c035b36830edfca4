// Which measurement tells the suspected causes apart at the least cost: the expected loss of
// entropy over the causes (MacKay, Neural Computation 4(4), 1992; Lindley, Ann. Math. Stat. 27,
// 1956), per probe that has to be moved. Pure.
//
// The expectation is taken over one representative outcome a cause, weighted by the cause's
// probability; enough to rank measurements, not to put a figure on a single one.
#pragma once

#include <string>
#include <vector>

#include "sequences/diagnosis/likelihoods.hpp"

namespace nightbench::diagnosis {

enum class CheckKind : std::uint8_t { question, ohms, volts, pair, outputs, power };

// A measurement that could be made.
struct Check {
  CheckKind kind = CheckKind::ohms;
  std::string id;     // "via_0", "mid_rail", "lo", "outputs"
  std::string title;  // "Switch 6 to its capacitor"
  std::vector<std::string> points;    // test points, one for each tip or probe to move
  std::vector<std::string> readings;  // of the book
  double if_hz = 0;
  bool powered = true;
};

// Where the tips and probes are; empty: nowhere.
struct ProbePlaces {
  std::vector<std::string> meter, scope;
};

struct RankedCheck {
  Check check;
  int moves = 0;
  double bits = 0;      // expected
  double for_each = 0;  // bits per cost
};

// All checks of a board type that the book has readings for: resistances, volts at test points with
// limits, pairs, outputs. Questions are those of the book whose readings are yes/no and named
// "orientation_..." or "polarity".
std::vector<Check> checks_of(const script::BoardType& type, const FaultBook& book);

// Probes to move for a check from where they are: each of the meter's tips that is elsewhere, each
// of the scope's probes. Ground of a single tip counts once, until it has been clipped there.
int moves_for(const Check& check, const ProbePlaces& places);
void place_for(const Check& check, ProbePlaces* places);

// Best first. `causes` as from posterior(). `powered`: whether the supply is on now; changing that
// costs a little too.
std::vector<RankedCheck> rank_checks(const FaultBook& book, const script::BoardType& type,
                                     const std::vector<Hypothesis>& causes,
                                     const std::vector<Check>& open, const ProbePlaces& places,
                                     bool powered);

}  // namespace nightbench::diagnosis
