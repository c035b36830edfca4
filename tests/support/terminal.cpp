#include "tests/support/terminal.hpp"

#include <fcntl.h>
#include <poll.h>
#include <pty.h>
#include <signal.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cstring>
#include <stdexcept>

extern char** environ;

namespace nightbench::testing {
namespace {

using Steady = std::chrono::steady_clock;

std::string name_of(const std::string& setting) {
  return setting.substr(0, setting.find('=') + 1);
}

std::vector<std::string> merged(std::vector<std::string> own) {
  bool has_term = false;
  for (const std::string& each : own) has_term = has_term || name_of(each) == "TERM=";
  if (!has_term) own.emplace_back("TERM=xterm-256color");
  const std::size_t given = own.size();
  for (char** each = environ; *each != nullptr; ++each) {
    bool replaced = false;
    for (std::size_t k = 0; k < given; ++k)
      replaced = replaced || name_of(own[k]) == name_of(*each);
    if (!replaced) own.emplace_back(*each);
  }
  return own;
}

}  // namespace

Terminal::Terminal(const std::string& program, const std::vector<std::string>& arguments,
                   const std::vector<std::string>& environment) {
  std::vector<std::string> words{program};
  words.insert(words.end(), arguments.begin(), arguments.end());
  std::vector<std::string> settings = merged(environment);
  std::vector<char*> argv;
  std::vector<char*> envp;
  for (std::string& word : words) argv.push_back(word.data());
  for (std::string& setting : settings) envp.push_back(setting.data());
  argv.push_back(nullptr);
  envp.push_back(nullptr);
  winsize size{};
  size.ws_col = 100;
  size.ws_row = 40;
  pid_ = forkpty(&master_, nullptr, nullptr, &size);
  if (pid_ < 0) throw std::runtime_error("forkpty: " + std::string(std::strerror(errno)));
  if (pid_ == 0) {
    execve(program.c_str(), argv.data(), envp.data());
    _exit(127);
  }
  fcntl(master_, F_SETFD, FD_CLOEXEC);
}

Terminal::~Terminal() {
  if (!reaped_) {
    kill(pid_, SIGKILL);
    waitpid(pid_, nullptr, 0);
  }
  close(master_);
}

void Terminal::type(const std::string& text) {
  std::size_t sent = 0;
  while (sent < text.size()) {
    const ssize_t got = write(master_, text.data() + sent, text.size() - sent);
    if (got <= 0) throw std::runtime_error("the terminal takes no input");
    sent += static_cast<std::size_t>(got);
  }
}

bool Terminal::pump(std::chrono::milliseconds limit) {
  pollfd end{master_, POLLIN, 0};
  if (poll(&end, 1, static_cast<int>(limit.count())) <= 0) return true;
  char piece[65536];
  const ssize_t got = read(master_, piece, sizeof piece);
  if (got <= 0) return false;  // EIO when the last user of the other end has closed it
  screen_.append(piece, static_cast<std::size_t>(got));
  return true;
}

bool Terminal::read_until(const std::function<bool(const std::string&)>& seen,
                          std::chrono::seconds limit) {
  const auto end = Steady::now() + limit;
  while (!seen(screen_) && Steady::now() < end) {
    if (!pump(std::chrono::milliseconds(50))) break;
  }
  return seen(screen_);
}

int Terminal::wait(std::chrono::seconds limit) {
  const auto end = Steady::now() + limit;
  while (pump(std::chrono::milliseconds(50))) {
    if (Steady::now() < end) continue;
    kill(pid_, SIGKILL);
    waitpid(pid_, nullptr, 0);
    reaped_ = true;
    return -1;
  }
  int status = 0;
  waitpid(pid_, &status, 0);
  reaped_ = true;
  return WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status);
}

}  // namespace nightbench::testing
