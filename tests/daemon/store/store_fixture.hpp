// A folder of its own for each test, and a journal in it. In memory where the machine offers that:
// these tests flush hundreds of times, and what a flush is worth is tested on the failing disk.
#pragma once

#include <gtest/gtest.h>
#include <sqlite3.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cstdlib>
#include <filesystem>
#include <memory>
#include <string>

#include "../../sequences/record/full_run.hpp"
#include "daemon/store/sqlite_journal.hpp"

namespace nightbench::store::test {

class Folder {
 public:
  Folder() {
    for (const std::filesystem::path& above :
         {std::filesystem::path("/dev/shm"), std::filesystem::temp_directory_path()}) {
      std::string name = (above / "nightbench-store-XXXXXX").string();
      if (::mkdtemp(name.data()) == nullptr) continue;
      path_ = name;
      return;
    }
    std::abort();
  }
  Folder(const Folder&) = delete;
  Folder& operator=(const Folder&) = delete;
  ~Folder() {
    std::error_code ignored;
    std::filesystem::remove_all(path_, ignored);
  }
  const std::filesystem::path& path() const { return path_; }
  std::filesystem::path database() const { return path_ / "runs.sqlite"; }

 private:
  std::filesystem::path path_;
};

inline std::unique_ptr<SqliteJournal> opened(const std::filesystem::path& file,
                                             const Options& options = {}) {
  auto journal = SqliteJournal::open(file, options);
  EXPECT_TRUE(journal) << describe(journal.error());
  return journal ? *std::move(journal) : nullptr;
}

// Runs SQL on the file beside the journal, as another program may.
inline void meddle(const std::filesystem::path& file, const std::string& sql) {
  sqlite3* handle = nullptr;
  ASSERT_EQ(sqlite3_open(file.c_str(), &handle), SQLITE_OK);
  char* message = nullptr;
  EXPECT_EQ(sqlite3_exec(handle, sql.c_str(), nullptr, nullptr, &message), SQLITE_OK)
      << (message == nullptr ? "" : message);
  sqlite3_free(message);
  sqlite3_close(handle);
}

// Runs `body` in a child process; its result is the exit status, -signal when it was killed.
template <typename Body>
int in_child(const Body& body) {
  const pid_t child = ::fork();
  if (child == 0) ::_exit(body());
  int status = 0;
  ::waitpid(child, &status, 0);
  return WIFEXITED(status) ? WEXITSTATUS(status) : -WTERMSIG(status);
}

}  // namespace nightbench::store::test
