// Limits and decisions (ILAC-G8:09/2019, 4.2.3, the four-way statement with guard band w = U; the
// wording from memory). A missing reading is "not measured", never "fail".
#pragma once

#include <cstdint>
#include <optional>
#include <string>

#include "sequences/reading/reading.hpp"

namespace nightbench::reading {

// Inside is good; either end may be absent. Units of the quantity.
struct Limits {
  std::optional<double> lower;
  std::optional<double> upper;
};

enum class Verdict : std::uint8_t { pass, conditional_pass, conditional_fail, fail, no_reading };

// The stable word: "pass", "conditional pass", "conditional fail", "fail", "no reading".
const char* name(Verdict verdict);

struct Decision {
  Verdict verdict = Verdict::no_reading;
  bool limits_too_close = false;     // 2 U > upper - lower: no value could pass
  std::optional<double> conformity;  // probability that the true value is inside the limits
  std::string detail;  // the rule with value, U, k and limits; or the reason for no reading
};

// y >= L + U pass; y >= L conditional pass; y >= L - U conditional fail; below: fail. Mirrored for
// an upper limit; of two limits the worse side counts. An asymmetric interval takes the place of
// -+ U. Values are not rounded; equality belongs to the better class.
Decision decide(const Outcome& outcome, const Limits& limits);
Decision decide(const Reading& reading, const Limits& limits);

// Phi((y - L) / u), Phi((U - y) / u), or their difference (JCGM 106:2012, clause 7, from memory).
double conformity(double value, double u, const Limits& limits);

// Worst chance to accept what is outside, with a guard band of `guard_over_U` times U, k = 2.
double worst_false_accept(double guard_over_U);

// The worse of two: fail, conditional fail, no reading, conditional pass, pass.
Verdict worse(Verdict a, Verdict b);

}  // namespace nightbench::reading
