// The journal seam: what has been measured. The engine appends each finished point before it starts
// the next one, so a run resumes where it stopped, with no point lost and none twice.
//
// When append() returns without error the point is durable: it survives the death of the process
// and, for the database, loss of power. A second append with the same ordinal is refused (internal).
// Errors: storage (disk full, locked or damaged database; `number` has the code). After an error
// what was appended before is still there.
#pragma once

#include <string>
#include <vector>

#include "sequences/record/run.hpp"

namespace nightbench::record {

class Journal {
 public:
  virtual ~Journal() = default;
  virtual Result<void> begin(const Header& header) = 0;
  // A run that ended, or was cut short, goes on: its outcome is unfinished again. bad_input when
  // there is no such run.
  virtual Result<void> reopen(const std::string& run_id) = 0;
  virtual Result<void> append(const std::string& run_id, const Point& point) = 0;
  virtual Result<void> note(const std::string& run_id, const Event& event) = 0;
  virtual Result<void> finish(const std::string& run_id, Outcome outcome, const std::string& text,
                              WallTime when) = 0;
  // The whole run as kept. bad_input when there is no such run.
  virtual Result<Run> load(const std::string& run_id) = 0;
  // Ordinals already kept, ascending: what a resumed run need not measure again.
  virtual Result<std::vector<std::uint64_t>> measured(const std::string& run_id) = 0;
};

// Keeps everything in memory; for tests and for runs that ask for no store.
class MemoryJournal final : public Journal {
 public:
  Result<void> begin(const Header& header) override;
  Result<void> reopen(const std::string& run_id) override;
  Result<void> append(const std::string& run_id, const Point& point) override;
  Result<void> note(const std::string& run_id, const Event& event) override;
  Result<void> finish(const std::string& run_id, Outcome outcome, const std::string& text,
                      WallTime when) override;
  Result<Run> load(const std::string& run_id) override;
  Result<std::vector<std::uint64_t>> measured(const std::string& run_id) override;

 private:
  Run* find(const std::string& run_id);
  std::vector<Run> runs_;
};

}  // namespace nightbench::record
