// Counts of many nights, and the table that is printed of them.
#pragma once

#include <cstdint>
#include <map>
#include <string>

namespace nightbench::testing {

struct Tally {
  std::uint64_t nights = 0, lives = 0, kills = 0, hangs = 0, kills_in_a_run = 0;
  std::uint64_t strikes = 0;
  std::uint64_t runs = 0, carried_on = 0, begun_anew = 0;
  std::uint64_t done = 0, failed = 0;  // entries of the queue
  std::uint64_t points = 0, again = 0, unread = 0;  // of their last runs
  std::uint64_t compared = 0;                       // readings held against the truth
  std::uint64_t findings = 0;
  double worst_u = 0;        // the greatest distance of a reading from the truth, in U
  double slowest_off_s = 0;  // from a kill until all was off, where no trouble stood in the way
  double hours = 0;          // of virtual time

  void add(const Tally& other);
  // One line of numbers, for another process to read.
  std::string text() const;
  static Tally read(const std::string& text);
};

// By theme. One row each and the sum.
std::string table(const std::map<std::string, Tally>& by_theme);

}  // namespace nightbench::testing
