#include "daemon/cli/print_pdf.hpp"

#include <fcntl.h>
#include <poll.h>
#include <spawn.h>
#include <sys/syscall.h>
#include <sys/wait.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <csignal>
#include <cstdlib>
#include <cstring>
#include <fstream>
#include <iterator>
#include <sstream>
#include <vector>

#include "sequences/report/write_files.hpp"

extern char** environ;

namespace nightbench::cli {
namespace fs = std::filesystem;

namespace {

constexpr int kMost_ms = 60'000;

bool executable(const fs::path& file) {
  std::error_code ignored;
  return fs::is_regular_file(file, ignored) && ::access(file.c_str(), X_OK) == 0;
}

// A folder that is removed with what is in it.
class Scratch {
 public:
  static Result<std::unique_ptr<Scratch>> make() {
    std::error_code failed;
    std::string name = (fs::temp_directory_path(failed) / "nightbench-pdf-XXXXXX").string();
    if (failed || ::mkdtemp(name.data()) == nullptr) {
      return fail(ErrorKind::storage,
                  "no temporary folder can be made: " + std::string(std::strerror(errno)));
    }
    return std::unique_ptr<Scratch>(new Scratch(name));
  }
  Scratch(const Scratch&) = delete;
  Scratch& operator=(const Scratch&) = delete;
  ~Scratch() {
    std::error_code ignored;
    fs::remove_all(path_, ignored);
  }
  const fs::path& path() const { return path_; }

 private:
  explicit Scratch(fs::path path) : path_(std::move(path)) {}
  fs::path path_;
};

std::string contents(const fs::path& file) {
  std::ifstream in(file, std::ios::binary);
  return {std::istreambuf_iterator<char>(in), {}};
}

std::string last_line(const std::string& text) {
  std::istringstream lines(text);
  std::string last;
  for (std::string line; std::getline(lines, line);) {
    if (!line.empty()) last = line;
  }
  return last.empty() ? "it said nothing" : last;
}

// A file's address: RFC 8089, with everything but unreserved characters and '/' percent-encoded.
std::string file_address(const fs::path& file) {
  std::string out = "file://";
  for (const char c : fs::absolute(file).lexically_normal().string()) {
    const bool plain = (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') ||
                       std::strchr("-._~/", c) != nullptr;
    if (plain) {
      out += c;
      continue;
    }
    constexpr std::string_view kDigits = "0123456789ABCDEF";
    const auto byte = static_cast<unsigned char>(c);
    out += {'%', kDigits[byte >> 4U], kDigits[byte & 15U]};
  }
  return out;
}

// Runs `words` in a process group of its own, its output in `log`; its exit code.
Result<int> run(const std::vector<std::string>& words, const fs::path& log) {
  posix_spawn_file_actions_t files;
  posix_spawn_file_actions_init(&files);
  posix_spawn_file_actions_addopen(&files, 0, "/dev/null", O_RDONLY, 0);
  posix_spawn_file_actions_addopen(&files, 1, log.c_str(), O_WRONLY | O_CREAT | O_TRUNC, 0600);
  posix_spawn_file_actions_adddup2(&files, 1, 2);
  posix_spawnattr_t how;
  posix_spawnattr_init(&how);
  posix_spawnattr_setflags(&how, POSIX_SPAWN_SETPGROUP);
  posix_spawnattr_setpgroup(&how, 0);
  std::vector<char*> arguments;
  for (const std::string& word : words) arguments.push_back(const_cast<char*>(word.c_str()));
  arguments.push_back(nullptr);
  pid_t child = 0;
  const int code = ::posix_spawn(&child, words[0].c_str(), &files, &how, arguments.data(), environ);
  posix_spawn_file_actions_destroy(&files);
  posix_spawnattr_destroy(&how);
  if (code != 0) {
    return fail(ErrorKind::bad_input, words[0] + " cannot be started: " + std::strerror(code));
  }
  const int handle = static_cast<int>(::syscall(SYS_pidfd_open, child, 0));
  pollfd watched{handle, POLLIN, 0};
  const bool ended = handle >= 0 && ::poll(&watched, 1, kMost_ms) == 1;
  if (handle >= 0) ::close(handle);
  if (!ended) ::kill(-child, SIGKILL);
  int status = 0;
  while (::waitpid(child, &status, 0) < 0 && errno == EINTR) {
  }
  if (!ended) return fail(ErrorKind::timeout, words[0] + " did not print within a minute");
  return WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status);
}

}  // namespace

Result<fs::path> find_chromium() {
  if (const char* named = std::getenv("NIGHTBENCH_CHROMIUM"); named != nullptr && *named != '\0') {
    if (executable(named)) return fs::path(named);
    return fail(ErrorKind::bad_input, std::string("NIGHTBENCH_CHROMIUM is \"") + named +
                                          "\", which is no program that can be run");
  }
  const char* set = std::getenv("PATH");
  std::istringstream folders(set == nullptr ? "/usr/bin" : set);
  for (std::string folder; std::getline(folders, folder, ':');) {
    for (const char* name : {"chromium", "chromium-browser"}) {
      if (!folder.empty() && executable(fs::path(folder) / name)) return fs::path(folder) / name;
    }
  }
  return fail(
      ErrorKind::bad_input,
      "a PDF needs Chromium, and there is none in PATH: install it (Debian: apt-get install "
      "chromium), or say where it is with NIGHTBENCH_CHROMIUM, or print the HTML report from any "
      "browser");
}

Result<void> print_pdf(const fs::path& chromium, const fs::path& html, const fs::path& pdf) {
  TRY_ASSIGN(const std::unique_ptr<Scratch> scratch, Scratch::make());
  const fs::path made = scratch->path() / "report.pdf";
  const fs::path log = scratch->path() / "log";
  std::vector<std::string> words{chromium.string(),
                                 "--headless",
                                 "--disable-gpu",
                                 "--disable-dev-shm-usage",
                                 "--disable-background-networking",
                                 "--host-resolver-rules=MAP * ~NOTFOUND",
                                 "--no-first-run",
                                 "--no-pdf-header-footer",
                                 "--user-data-dir=" + (scratch->path() / "profile").string(),
                                 "--print-to-pdf=" + made.string()};
  // Chromium refuses root with its sandbox, as in a container of a CI server.
  if (::geteuid() == 0) words.emplace_back("--no-sandbox");
  words.push_back(file_address(html));
  TRY_ASSIGN(const int code, run(words, log));
  const std::string bytes = contents(made);
  if (code != 0 || !bytes.starts_with("%PDF-")) {
    return fail(ErrorKind::bad_input, chromium.string() + " made no PDF (exit code " +
                                          std::to_string(code) + "): " + last_line(contents(log)));
  }
  return report::write_file(pdf, bytes);
}

}  // namespace nightbench::cli
