#include "daemon/guardian/log_file.hpp"

#include <unistd.h>

#include <fstream>

namespace nightbench::guardian {
namespace fs = std::filesystem;

namespace {
constexpr std::uintmax_t kMost = 1'000'000;  // bytes
}

LogFile::LogFile(fs::path file) : file_(std::move(file)) {
  if (file_.empty()) return;
  std::error_code failed;
  const std::uintmax_t size = fs::file_size(file_, failed);
  if (failed || size < kMost) return;
  fs::path old = file_;
  old += ".1";
  fs::rename(file_, old, failed);
}

void LogFile::line(WallTime when, const std::string& text) const {
  if (file_.empty()) return;
  std::ofstream(file_, std::ios::app)
      << iso8601(when) + " " + std::to_string(getpid()) + " " + text + "\n";
}

}  // namespace nightbench::guardian
