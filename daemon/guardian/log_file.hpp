// The guardian's log: one line an event, with the time, appended to a file that is kept small.
// Writing never fails as such: there is nobody left to tell.
#pragma once

#include <filesystem>
#include <string>

#include "drivers/base/clock.hpp"

namespace nightbench::guardian {

class LogFile {
 public:
  // "" writes nowhere. A file beyond 1 MB is begun anew; the old one is kept beside it as ".1".
  explicit LogFile(std::filesystem::path file);
  void line(WallTime when, const std::string& text) const;

 private:
  std::filesystem::path file_;
};

}  // namespace nightbench::guardian
