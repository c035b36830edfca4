// Runs a real program in a test: arguments, output, exit code, signals. Every wait is bounded.
#pragma once

#include <chrono>
#include <functional>
#include <string>
#include <vector>

namespace nightbench::testing {

class Process {
 public:
  // Starts `program` with standard output and error captured. Throws std::runtime_error when it
  // cannot. `environment` holds NAME=VALUE additions.
  Process(const std::string& program, const std::vector<std::string>& arguments,
          const std::vector<std::string>& environment = {});
  // Kills and reaps when it still runs.
  ~Process();
  Process(const Process&) = delete;
  Process& operator=(const Process&) = delete;

  // Reads output until `seen` is true of it, the program ends, or the limit passes. Returns the last
  // value of `seen`.
  bool read_until(const std::function<bool(const Process&)>& seen, std::chrono::seconds limit);
  // Reads to the end and reaps. The exit code, or 128 + signal; -1 when the limit passed (then it is
  // killed).
  int wait(std::chrono::seconds limit);
  void signal(int number);

  const std::string& out() const { return out_; }
  const std::string& err() const { return err_; }
  int pid() const { return pid_; }

 private:
  bool pump(std::chrono::milliseconds limit);  // false when both ends are closed

  int pid_ = -1;
  int out_pipe_ = -1, err_pipe_ = -1;
  int status_ = 0;
  bool reaped_ = false;
  std::string out_, err_;
};

// A folder of its own under the system's temporary folder, removed at the end.
class ScratchFolder {
 public:
  ScratchFolder();
  ~ScratchFolder();
  ScratchFolder(const ScratchFolder&) = delete;
  ScratchFolder& operator=(const ScratchFolder&) = delete;
  const std::string& path() const { return path_; }
  std::string operator/(const std::string& name) const { return path_ + "/" + name; }

 private:
  std::string path_;
};

std::string read_text(const std::string& file);
void write_text(const std::string& file, const std::string& text);

// One line sent to a loopback port, one line back ("" after the limit). For asking a simulated
// instrument from outside of the program under test.
std::string ask_socket(int port, const std::string& line);

}  // namespace nightbench::testing
