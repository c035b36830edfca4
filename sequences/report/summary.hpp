// What a run comes down to: the verdict with its reasons, the worst reading of each quantity, and
// how a reading is put into words. The one source for the HTML report, the closing table and JUnit,
// so that they cannot disagree. Pure.
#pragma once

#include <cstddef>
#include <string>
#include <vector>

#include "sequences/record/run.hpp"

namespace nightbench::report {

// One reading put into text: value, U, limits and margin rounded alike, to the place of the second
// significant digit of U (GUM 7.2.6 asks for one or two), finer while rounding would show a value
// on the other side of its limit. Missing numbers are empty texts.
struct Shown {
  std::string value;  // "-0.312", without unit; "no reading" when there is none
  std::string u;      // "0.021"
  std::string lower;  // limit
  std::string upper;
  std::string limit;  // "at most 0.250 dB", "-1.00 to 1.00 deg", "" when there is none
  std::string unit;   // with prefix where the unit takes one: "mV", "kHz", "deg", "dB"
  std::string full;   // "-0.312 dB (U = 0.021 dB)", "better than 61.2 dB" for an open end
};
Shown shown(const record::Reading& reading);

// "10.12 MHz, IF 12 kHz above LO, -30 dBm": the coordinates of a point for people.
std::string where(const record::Point& point);

// How far a decision is from good: none < pass < conditional pass < no reading < conditional fail <
// fail.
int badness(record::Decision decision);

// One quantity of one step label over all points.
struct QuantitySummary {
  std::string label, quantity, title, unit;
  std::size_t readings = 0;  // that have a value
  std::size_t missing = 0;   // no reading
  std::size_t unjudged = 0;  // of these, where a limit applies
  std::size_t failed = 0;    // fail and conditional fail
  std::size_t conditional = 0;
  std::size_t judged = 0;  // readings with a decision other than none and no_reading
  bool limited = false;    // a limit applies somewhere
  // The worst reading: by badness, then by least margin to its limit in units of U, then by
  // ordinal.
  const record::Point* point = nullptr;
  const record::Reading* worst = nullptr;
};

struct Summary {
  record::Verdict verdict = record::Verdict::none;
  std::string headline;                     // "Fail: 2 of 7 quantities miss their limits"
  std::vector<std::string> reasons;         // worst first, one sentence each
  std::vector<QuantitySummary> quantities;  // in the order of first appearance
  std::size_t readings = 0, judged = 0, failed = 0, conditional = 0;
  std::size_t missing = 0;                // readings to be judged that are not there
  std::size_t planned = 0, measured = 0;  // points
};

// Instruments whose calibration was due before the run began, by name; dates that are not stated as
// YYYY-MM-DD are left out.
std::vector<std::string> overdue(const record::Header& header);
bool overdue(const record::Instrument& instrument, WallTime when);

// The summary points into `run`, which must outlive it.
Summary summarise(const record::Run& run);
Summary summarise(record::Run&&) = delete;

}  // namespace nightbench::report
