// A reading, and the absence of one.
//
// A quantity is either a Reading, with its expanded uncertainty, or a NoReading with its reason.
// "No reading" is never 0 and never a failed limit. Inputs of this folder are standard
// uncertainties (k = 1, named u_...); a Reading carries the expanded one (k = 2, named U).
#pragma once

#include <cstdint>
#include <expected>
#include <limits>
#include <optional>
#include <string>
#include <vector>

#include "sequences/reading/uncertainty.hpp"
#include "sequences/signal/samples.hpp"

namespace nightbench::reading {

// An interval that holds the true value with about 95 %. An end may be infinite: an image
// rejection near the floor of the measurement is "better than" its low end.
struct Interval {
  double low = -std::numeric_limits<double>::infinity();
  double high = std::numeric_limits<double>::infinity();
};

struct Reading {
  std::string quantity;  // "image_rejection_db"
  double value = 0.0;    // always finite
  std::string unit;      // "dB", "Hz", "V", "deg", "V/rtHz"; empty for a bare number
  double U = 0.0;        // expanded uncertainty, k = `k`; infinite when the interval is open
  double k = 2.0;
  std::optional<Interval> interval;  // when it is not value -+ U
  double dof = std::numeric_limits<double>::infinity();
  std::vector<BudgetRow> budget;   // what U is made of
  std::vector<std::string> notes;  // what widened it or must be told: "channels not matched"

  Interval bounds() const { return interval ? *interval : Interval{value - U, value + U}; }
};

enum class Reason : std::uint8_t {
  clipped,  // in the converter, or in the device under test
  aliased,  // the tone is not where it shows
  empty,    // no signal stands clear of the noise
  too_few_periods,
  too_few_points,
  not_a_tone,         // something is there and it is not one line
  unlocked,           // a line, and not at |f_RF - f_LO|
  drifting,           // frequency or amplitude moves during the record
  interfered,         // another line is too close in level
  channels_disagree,  // I and Q do not carry the same frequency, or their angle is no quadrature
  bad_samples,        // infinite or not a number
  not_converged,      // the fit did not settle
  not_measured,       // nobody asked, or an input that it needs is missing
};

// The stable word: "clipped", "too-few-periods" ...
const char* name(Reason reason);

struct NoReading {
  Reason reason = Reason::not_measured;
  std::string detail;  // one sentence with the numbers that decided it
};

using Outcome = std::expected<Reading, NoReading>;

// What a quantity is before anybody measured it.
Outcome not_measured();

std::unexpected<NoReading> no_reading(Reason reason, std::string detail);

// What a fit's refusal means as a reading.
NoReading from(const signal::Trouble& trouble);

// A reading from a budget: U = 2 u, or t at 95.45 % when the effective degrees of freedom are few.
Reading make_reading(std::string quantity, double value, std::string unit, Budget budget);

}  // namespace nightbench::reading
