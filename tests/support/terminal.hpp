// Runs a real program in a pseudo-terminal, as a person would: what it writes is what the screen
// got, what is typed is what the keyboard gave. Every wait is bounded.
#pragma once

#include <chrono>
#include <functional>
#include <string>
#include <vector>

namespace nightbench::testing {

class Terminal {
 public:
  // `environment` holds NAME=VALUE settings that replace those of this process; TERM is
  // "xterm-256color" unless given. 100 columns, 40 rows. Throws std::runtime_error.
  Terminal(const std::string& program, const std::vector<std::string>& arguments,
           const std::vector<std::string>& environment = {});
  // Kills and reaps when it still runs.
  ~Terminal();
  Terminal(const Terminal&) = delete;
  Terminal& operator=(const Terminal&) = delete;

  // Everything written so far, as the terminal got it ("\r\n" ends lines). What is typed is echoed.
  const std::string& screen() const { return screen_; }
  void type(const std::string& text);
  // Reads until `seen` is true of the screen, the program ends, or the limit passes.
  bool read_until(const std::function<bool(const std::string& screen)>& seen,
                  std::chrono::seconds limit);
  // Reads to the end and reaps: the exit code, or 128 + signal; -1 when the limit passed.
  int wait(std::chrono::seconds limit);

 private:
  bool pump(std::chrono::milliseconds limit);  // false when the other end is closed

  int pid_ = -1;
  int master_ = -1;
  bool reaped_ = false;
  std::string screen_;
};

}  // namespace nightbench::testing
