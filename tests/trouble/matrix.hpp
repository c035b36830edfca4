// Every trouble, at every instrument, at every message of the first two rounds of a running sweep:
// what became of the run. A trial is one run of three rounds on virtual time with one trouble.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

namespace nightbench::testing {

// What came of the trials of one trouble at one instrument.
struct TroubleCell {
  std::string instrument;
  int trials = 0;
  int struck = 0;   // trials in which the trouble did strike
  int read = 0;     // complete, every point with its readings
  int unread = 0;   // complete, but for points with the reason in place of a reading
  int stopped = 0;  // the run ended before its time, with the reason
  std::uint64_t compared = 0;  // readings held against the truth
  double worst_u = 0;          // the farthest of them from it, in U
  // What must not be: a wrong number, a hang, points lost or twice, an end without a reason, an
  // output left on. One line each, with instrument and message.
  std::vector<std::string> wrong;
};

// The words of the bench file, and the instruments of the demo's bench.
const std::vector<std::string>& trouble_words();
const std::vector<std::string>& trouble_instruments();

// One row of the matrix, an instrument a cell. Throws std::runtime_error when the undisturbed run
// is not as it must be.
std::vector<TroubleCell> trouble_row(const std::string& trouble);

// The heading and a row as a Markdown table's lines: "28 | 27 read, 1 stopped".
std::string matrix_heading();
std::string matrix_line(const std::string& trouble, const std::vector<TroubleCell>& row);

}  // namespace nightbench::testing
