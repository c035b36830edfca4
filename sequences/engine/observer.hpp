// Who watches a run while it goes: a progress line, the web page, a test. All calls come from the
// I/O thread and must return at once.
#pragma once

#include <cstdint>

#include "sequences/record/run.hpp"

namespace nightbench::engine {

struct Progress {
  std::uint64_t points_done = 0;
  std::uint64_t points_planned = 0;
  double elapsed_s = 0;
  double left_s = -1;  // negative: not known yet
};

class Observer {
 public:
  virtual ~Observer() = default;
  virtual void began(const record::Header& header) = 0;
  virtual void point(const record::Point& point, const Progress& progress) = 0;
  virtual void event(const record::Event& event) = 0;
  virtual void ended(record::Outcome outcome, const std::string& text) = 0;
};

}  // namespace nightbench::engine
