#include "tests/support/process.hpp"

#include <arpa/inet.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cstdlib>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <sstream>
#include <stdexcept>

extern char** environ;

namespace nightbench::testing {
namespace {

using Steady = std::chrono::steady_clock;

}  // namespace

Process::Process(const std::string& program, const std::vector<std::string>& arguments,
                 const std::vector<std::string>& environment) {
  int out[2];
  int err[2];
  if (pipe2(out, O_CLOEXEC) != 0 || pipe2(err, O_CLOEXEC) != 0) {
    throw std::runtime_error("pipe: " + std::string(std::strerror(errno)));
  }
  std::vector<std::string> words{program};
  words.insert(words.end(), arguments.begin(), arguments.end());
  std::vector<char*> argv;
  for (std::string& word : words) argv.push_back(word.data());
  argv.push_back(nullptr);
  std::vector<std::string> settings;
  for (char** each = environ; *each != nullptr; ++each) settings.emplace_back(*each);
  settings.insert(settings.end(), environment.begin(), environment.end());
  std::vector<char*> envp;
  for (std::string& setting : settings) envp.push_back(setting.data());
  envp.push_back(nullptr);
  pid_ = fork();
  if (pid_ < 0) throw std::runtime_error("fork: " + std::string(std::strerror(errno)));
  if (pid_ == 0) {
    dup2(out[1], STDOUT_FILENO);
    dup2(err[1], STDERR_FILENO);
    execve(program.c_str(), argv.data(), envp.data());
    _exit(127);
  }
  close(out[1]);
  close(err[1]);
  out_pipe_ = out[0];
  err_pipe_ = err[0];
}

Process::~Process() {
  if (!reaped_) {
    kill(pid_, SIGKILL);
    waitpid(pid_, &status_, 0);
  }
  if (out_pipe_ >= 0) close(out_pipe_);
  if (err_pipe_ >= 0) close(err_pipe_);
}

bool Process::pump(std::chrono::milliseconds limit) {
  pollfd ends[2] = {{out_pipe_, POLLIN, 0}, {err_pipe_, POLLIN, 0}};
  if (out_pipe_ < 0 && err_pipe_ < 0) return false;
  if (poll(ends, 2, static_cast<int>(limit.count())) <= 0) return true;
  const auto take = [](const pollfd& end, int& pipe, std::string& text) {
    if (end.fd < 0 || (end.revents & (POLLIN | POLLHUP | POLLERR)) == 0) return;
    char piece[65536];
    const ssize_t got = read(pipe, piece, sizeof piece);
    if (got > 0) {
      text.append(piece, static_cast<std::size_t>(got));
    } else {
      close(pipe);
      pipe = -1;
    }
  };
  take(ends[0], out_pipe_, out_);
  take(ends[1], err_pipe_, err_);
  return out_pipe_ >= 0 || err_pipe_ >= 0;
}

bool Process::read_until(const std::function<bool(const Process&)>& seen,
                         std::chrono::seconds limit) {
  const auto end = Steady::now() + limit;
  while (!seen(*this) && Steady::now() < end) {
    if (!pump(std::chrono::milliseconds(50))) break;
  }
  return seen(*this);
}

int Process::wait(std::chrono::seconds limit) {
  const auto end = Steady::now() + limit;
  while (pump(std::chrono::milliseconds(50))) {
    if (Steady::now() >= end) {
      kill(pid_, SIGKILL);
      waitpid(pid_, &status_, 0);
      reaped_ = true;
      return -1;
    }
  }
  waitpid(pid_, &status_, 0);
  reaped_ = true;
  return WIFEXITED(status_) ? WEXITSTATUS(status_) : 128 + WTERMSIG(status_);
}

void Process::signal(int number) { kill(pid_, number); }

ScratchFolder::ScratchFolder() {
  std::string pattern = (std::filesystem::temp_directory_path() / "nightbench-test-XXXXXX").string();
  if (mkdtemp(pattern.data()) == nullptr) {
    throw std::runtime_error("mkdtemp: " + std::string(std::strerror(errno)));
  }
  path_ = pattern;
}

ScratchFolder::~ScratchFolder() {
  std::error_code ignored;
  std::filesystem::remove_all(path_, ignored);
}

std::string read_text(const std::string& file) {
  std::ifstream stream(file, std::ios::binary);
  std::ostringstream text;
  text << stream.rdbuf();
  return std::move(text).str();
}

void write_text(const std::string& file, const std::string& text) {
  std::ofstream(file, std::ios::binary) << text;
}

std::string ask_socket(int port, const std::string& line) {
  const int link = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
  timeval limit{5, 0};
  setsockopt(link, SOL_SOCKET, SO_RCVTIMEO, &limit, sizeof limit);
  sockaddr_in address{};
  address.sin_family = AF_INET;
  address.sin_port = htons(static_cast<std::uint16_t>(port));
  address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
  std::string answer;
  if (connect(link, reinterpret_cast<sockaddr*>(&address), sizeof address) == 0) {
    const std::string message = line + "\n";
    if (send(link, message.data(), message.size(), MSG_NOSIGNAL) ==
        static_cast<ssize_t>(message.size())) {
      char c = 0;
      while (recv(link, &c, 1, 0) == 1 && c != '\n') answer += c;
    }
  }
  close(link);
  return answer;
}

}  // namespace nightbench::testing
