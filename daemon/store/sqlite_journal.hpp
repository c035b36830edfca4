// The journal in a SQLite database file: every run of a bench, kept for good.
//
// Durability: write-ahead log with synchronous = FULL, so that a point whose append() returned
// survives loss of power. (NORMAL would sync only at checkpoints and could lose the last points of
// the night; the engine may not measure those again.) One append is one INSERT in one transaction:
// a point is there whole or not at all.
//
// Several processes may have the file open; each waits up to Options::busy_timeout for another's
// write. One object is for one thread at a time.
//
// Errors are storage with the file and the SQLite extended result code in `number`: disk full,
// locked, damaged, read-only folder, newer than this program. What was kept before stays kept.
#pragma once

#include <chrono>
#include <cstdint>
#include <filesystem>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "sequences/record/journal.hpp"

namespace nightbench::store {

// The layout of the tables, kept in PRAGMA user_version. Older files are brought up to it when they
// are opened for writing; newer ones are refused.
inline constexpr int kSchemaVersion = 2;

struct Options {
  bool read_only = false;  // never creates, changes or upgrades the file
  std::chrono::milliseconds busy_timeout{5000};
  std::string vfs{};  // SQLite VFS by name; "" is the system's. For tests of failing disks.
};

// One line of the list of runs.
struct RunSummary {
  std::string run_id, board, board_type, script, bench, person;
  WallTime started;
  std::optional<WallTime> finished;
  record::Outcome outcome = record::Outcome::unfinished;
  std::string outcome_text;
  record::Verdict verdict = record::Verdict::none;  // by the rule of record::verdict()
  std::uint64_t points = 0, planned_points = 0;
};

struct Filter {
  std::string board{}, script{};  // "" matches all
  std::optional<record::Outcome> outcome{};
  std::size_t most = 0;  // 0: all
};

class SqliteJournal final : public record::Journal {
 public:
  // Opens `file`, creating it and the folders above it unless read_only.
  static Result<std::unique_ptr<SqliteJournal>> open(const std::filesystem::path& file,
                                                     const Options& options = {});
  ~SqliteJournal() override;
  SqliteJournal(const SqliteJournal&) = delete;
  SqliteJournal& operator=(const SqliteJournal&) = delete;

  Result<void> begin(const record::Header& header) override;
  Result<void> reopen(const std::string& run_id) override;
  Result<void> append(const std::string& run_id, const record::Point& point) override;
  Result<void> note(const std::string& run_id, const record::Event& event) override;
  Result<void> finish(const std::string& run_id, record::Outcome outcome, const std::string& text,
                      WallTime when) override;
  Result<record::Run> load(const std::string& run_id) override;
  Result<std::vector<std::uint64_t>> measured(const std::string& run_id) override;

  // Everything of a run but its points.
  Result<record::Run> load_without_points(const std::string& run_id);
  // Calls `take` with each point from ordinal `from` on, by ordinal, holding one at a time; stops
  // when it returns false.
  Result<void> for_each_point(const std::string& run_id,
                              const std::function<bool(const record::Point&)>& take,
                              std::uint64_t from = 0);

  // Newest first.
  Result<std::vector<RunSummary>> runs(const Filter& filter = {});
  // The run of `board` that started last, if any.
  Result<std::optional<RunSummary>> latest(const std::string& board);

  // Reads the whole file and checks it (PRAGMA quick_check, then every body). The findings, one
  // line each; empty when sound.
  Result<std::vector<std::string>> check();

  const std::filesystem::path& file() const;

 private:
  struct Database;
  Result<void> check_pages(std::vector<std::string>& findings);
  explicit SqliteJournal(std::unique_ptr<Database> database);
  std::unique_ptr<Database> database_;
};

}  // namespace nightbench::store
