// What a board with a certain fault is expected to show at one reading, and how likely a reading is
// then.
//
// Readings are taken on a scale of their own: dB, degrees (circular), the decimal logarithm of
// ohms, parts of a nominal value, or yes (1) and no (0). Expectations are robust: a Student
// distribution of six degrees of freedom for values (heavier tails than the normal one; Lange,
// Little and Taylor, J. Am. Stat. Assoc. 84, 1989), and a share of every likelihood is kept for
// readings that have nothing to do with the board. Pure.
#pragma once

#include <cstdint>

namespace nightbench::diagnosis {

enum class Scale : std::uint8_t { db, degree, log_ohm, part, yes_no };

// "dB", "deg", "ohm", "part", "yes/no": the words of the fault book.
const char* word(Scale scale);

enum class Kind : std::uint8_t {
  near,     // a value around `centre`
  between,  // any value from `from` to `to`
  // Without a value:
  absent,   // no signal, or next to none: 20 dB and more below what there should be
  unknown,  // the fault changes it, nobody can say how
};

struct Expectation {
  Kind kind = Kind::near;
  double centre = 0, spread = 0;  // standard deviation
  double from = 0, to = 0;
  bool operator==(const Expectation&) const = default;
};

struct Seen {
  double value = 0, u = 0;  // standard uncertainty
  bool absent = false;
};

// Natural logarithm of the likelihood (a density on the reading's scale, or a probability). What is
// unknown may be as on a good board or anything, one as likely as the other.
double log_likelihood(const Expectation& expected, const Expectation& healthy, const Seen& seen,
                      Scale scale);

// The same when nothing is known about the board: broad over all that the scale can show.
double log_likelihood_of_anything(const Seen& seen, Scale scale);

// Two faults at once: shifts from the healthy value add, what silences a point silences it still,
// and what cannot be said of one cannot be said of both.
Expectation combine(const Expectation& one, const Expectation& other, const Expectation& healthy,
                    Scale scale);

// What would most likely be read: for weighing a measurement before it is made. `healthy` serves
// where the expectation is unknown.
Seen representative(const Expectation& expected, const Expectation& healthy, Scale scale);

}  // namespace nightbench::diagnosis
