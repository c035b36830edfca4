#include "daemon/guardian/spawn.hpp"

#include <signal.h>
#include <spawn.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <cstdlib>
#include <cstring>
#include <mutex>
#include <vector>

extern char** environ;

namespace nightbench::guardian {
namespace {

std::mutex children_lock;
std::vector<int> children;

std::unexpected<Error> not_started(const std::filesystem::path& program, int number) {
  Error error;
  error.kind = ErrorKind::refused;
  error.file = program.string();
  error.number = number;
  error.message = std::string("the guardian cannot be started, so no output is enabled: ") +
                  std::strerror(number);
  return fail(std::move(error));
}

// Nothing but standard streams may live on in it: a copy of a link would keep the instrument busy
// after our end, a copy of a listening socket would keep its port.
int start(const std::filesystem::path& program, int end, int* pid) {
  posix_spawn_file_actions_t files;
  posix_spawnattr_t how;
  posix_spawn_file_actions_init(&files);
  posix_spawnattr_init(&how);
  posix_spawn_file_actions_adddup2(&files, end, STDIN_FILENO);
  posix_spawn_file_actions_addclosefrom_np(&files, STDERR_FILENO + 1);
  sigset_t none;
  sigset_t usual;
  sigemptyset(&none);
  sigemptyset(&usual);
  sigaddset(&usual, SIGPIPE);
  posix_spawnattr_setsigmask(&how, &none);
  posix_spawnattr_setsigdefault(&how, &usual);
  posix_spawnattr_setflags(
      &how, POSIX_SPAWN_SETSID | POSIX_SPAWN_SETSIGMASK | POSIX_SPAWN_SETSIGDEF);
  std::string word = program.string();
  char* words[] = {word.data(), nullptr};
  const int failed = posix_spawn(pid, word.c_str(), &files, &how, words, environ);
  posix_spawn_file_actions_destroy(&files);
  posix_spawnattr_destroy(&how);
  return failed;
}

}  // namespace

std::filesystem::path guardian_program() {
  if (const char* set = std::getenv("NIGHTBENCH_GUARDIAN"); set != nullptr && *set != '\0') {
    return set;
  }
  std::error_code failed;
  return std::filesystem::read_symlink("/proc/self/exe", failed).parent_path() /
         "nightbench-guardian";
}

void reap_ended() {
  const std::scoped_lock held(children_lock);
  std::erase_if(children, [](int pid) { return waitpid(pid, nullptr, WNOHANG) != 0; });
}

Result<Child> spawn(const std::filesystem::path& program) {
  reap_ended();
  int ends[2];
  if (socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, ends) != 0) {
    return not_started(program, errno);
  }
  Child child;
  const int failed = start(program, ends[1], &child.pid);
  ::close(ends[1]);
  if (failed != 0) {
    ::close(ends[0]);
    return not_started(program, failed);
  }
  child.socket = ends[0];
  const std::scoped_lock held(children_lock);
  children.push_back(child.pid);
  return child;
}

}  // namespace nightbench::guardian
