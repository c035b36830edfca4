// What `nightbench watch` shows: big figures that can be read from the other end of the bench,
// where the value stands between its limits, where it is heading, and a bell on every change.
#pragma once

#include <cstdio>
#include <string>
#include <vector>

#include "sequences/engine/watch.hpp"

namespace nightbench::cli {

// Figures five rows high, of the characters 0 to 9, '-', '.' and ' '; others are left out. Five
// lines of equal length.
std::vector<std::string> big_figures(const std::string& text);

// A scale with the limits as '|' and the value as '*', an arrow at its end when it is off it; ""
// without a limit or a value. Plain ASCII, at most 60 wide.
std::string scale_text(const record::Reading& reading);

// The lines of one round: title and time, figures, scale, the rest.
std::vector<std::string> screen_lines(const engine::WatchRound& round);

class WatchScreen {
 public:
  // In place and with a bell when `out` is a terminal (no bell when `silent`); lines otherwise, one
  // for a change and one every ten seconds.
  WatchScreen(std::FILE* out, bool silent);
  void show(const engine::WatchRound& round);
  // Ends the picture, so that others may write.
  void finish();

 private:
  std::FILE* out_;
  bool terminal_;
  bool colour_;
  bool silent_;
  std::size_t drawn_ = 0;  // lines that stand
  double next_plain_s_ = 0;
};

}  // namespace nightbench::cli
