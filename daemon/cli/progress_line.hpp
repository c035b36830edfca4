// Tells a person how the run goes: one line that renews itself on a terminal, plain lines
// elsewhere.
#pragma once

#include <cstdio>
#include <string>

#include "sequences/engine/observer.hpp"

namespace nightbench::cli {

class ProgressLine final : public engine::Observer {
 public:
  // `out` is written to; `quiet` keeps only warnings and troubles.
  ProgressLine(std::FILE* out, bool quiet);

  void began(const record::Header& header) override;
  void point(const record::Point& point, const engine::Progress& progress) override;
  void event(const record::Event& event) override;
  void ended(record::Outcome outcome, const std::string& text) override;
  // Ends a renewed line, so that others may write to `out`.
  void finish_line();

 private:
  void show(const std::string& line);

  std::FILE* out_;
  bool terminal_;
  bool quiet_;
  bool open_ = false;        // a renewed line stands unfinished
  double next_plain_s_ = 0;  // when the next plain line is due
  std::string board_;
};

// "1 h 02 min", "3 min 20 s", "12 s".
std::string duration_text(double seconds);

}  // namespace nightbench::cli
