#include "daemon/cli/progress_line.hpp"

#include <unistd.h>

#include <array>
#include <cmath>

namespace nightbench::cli {
namespace {

constexpr double kPlainEvery_s = 10;

}  // namespace

std::string duration_text(double value) {
  std::array<char, 64> text{};
  const auto whole = static_cast<long long>(std::llround(value));
  if (whole >= 3600) {
    std::snprintf(text.data(), text.size(), "%lld h %02lld min", whole / 3600, whole / 60 % 60);
  } else if (whole >= 60) {
    std::snprintf(text.data(), text.size(), "%lld min %02lld s", whole / 60, whole % 60);
  } else {
    std::snprintf(text.data(), text.size(), "%lld s", whole);
  }
  return text.data();
}

ProgressLine::ProgressLine(std::FILE* out, bool quiet)
    : out_(out), terminal_(isatty(fileno(out)) != 0), quiet_(quiet) {}

void ProgressLine::began(const record::Header& header) {
  board_ = header.board;
  next_plain_s_ = kPlainEvery_s;
  if (quiet_) return;
  std::fprintf(out_, "%s: %s, %llu points (run %s)\n", header.board.c_str(), header.script.c_str(),
               static_cast<unsigned long long>(header.planned_points), header.run_id.c_str());
  std::fflush(out_);
}

void ProgressLine::point(const record::Point&, const engine::Progress& progress) {
  if (quiet_) return;
  const bool last = progress.points_done == progress.points_planned;
  if (!terminal_ && progress.elapsed_s < next_plain_s_ && !last) return;
  next_plain_s_ = progress.elapsed_s + kPlainEvery_s;
  const double rate =
      progress.elapsed_s > 0 ? static_cast<double>(progress.points_done) / progress.elapsed_s : 0;
  std::array<char, 160> text{};
  std::snprintf(text.data(), text.size(), "%s: %llu of %llu points, %.1f a second, %s",
                board_.c_str(), static_cast<unsigned long long>(progress.points_done),
                static_cast<unsigned long long>(progress.points_planned), rate,
                last                  ? ("took " + duration_text(progress.elapsed_s)).c_str()
                : progress.left_s < 0 ? "time left not known yet"
                                      : (duration_text(progress.left_s) + " left").c_str());
  show(text.data());
}

void ProgressLine::show(const std::string& line) {
  if (terminal_) {
    std::fprintf(out_, "\r\x1b[K%s", line.c_str());
    open_ = true;
  } else {
    std::fprintf(out_, "%s\n", line.c_str());
  }
  std::fflush(out_);
}

void ProgressLine::finish_line() {
  if (open_) std::fputc('\n', out_);
  open_ = false;
}

void ProgressLine::event(const record::Event& event) {
  if (quiet_ && event.severity == record::Severity::info) return;
  finish_line();
  std::fprintf(out_, "%s: %s: %s\n", board_.c_str(), record::word(event.severity),
               event.text.c_str());
  std::fflush(out_);
}

void ProgressLine::ended(record::Outcome outcome, const std::string& text) {
  finish_line();
  if (outcome == record::Outcome::complete) return;
  std::fprintf(out_, "%s: %s: %s\n", board_.c_str(), record::word(outcome), text.c_str());
  std::fflush(out_);
}

}  // namespace nightbench::cli
