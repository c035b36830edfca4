// Reading from the store beside the I/O thread: one thread with its own read-only connection, so
// that a report or a long list never holds up a run.
#pragma once

#include <boost/asio/io_context.hpp>
#include <boost/asio/thread_pool.hpp>
#include <cstdint>
#include <filesystem>
#include <functional>
#include <map>
#include <memory>
#include <string>

#include "daemon/store/sqlite_journal.hpp"
#include "drivers/base/clock.hpp"
#include "sequences/engine/analyst.hpp"

namespace nightbench::service {

// The worst reading of a quantity of a run: what a batch chart shows.
struct Figure {
  std::string label, quantity, title, unit;
  std::optional<double> value, lower, upper;
  double expanded_u = 0;
  std::string decision;
};

// Inside the reading thread: the journal, and what has been worked out from it before.
struct Shelf {
  std::unique_ptr<store::SqliteJournal> journal;
  std::map<std::string, std::vector<Figure>> figures;  // by run id, of complete runs
  std::vector<Figure> passing;                         // of a run that may still grow
};

// Worked out on first use and kept; valid until the next call. Errors: as of the journal.
Result<const std::vector<Figure>*> figures_of(Shelf& shelf, const std::string& run_id);

class ReadRoom {
 public:
  // Where the jobs are done: on the thread of their own, or, for runs on virtual time, at once on the
  // I/O thread.
  enum class Where : std::uint8_t { beside, here };
  // The database must exist when the first job is done.
  ReadRoom(boost::asio::io_context& io, std::filesystem::path database,
           Where where = Where::beside);
  ~ReadRoom();

  // Runs `work` on the reading thread. Errors: storage when the database cannot be opened, and
  // those of `work`, which must own what it uses.
  using Work = std::function<Result<std::string>(Shelf&)>;
  Awaitable<Result<std::string>> read(Work work);

  // Writes the files of a run into `folder`; the text is the verdict's word.
  Awaitable<Result<std::string>> write_files(std::string run_id, std::filesystem::path folder);

  std::size_t jobs() const { return jobs_; }

 private:
  std::filesystem::path database_;
  boost::asio::thread_pool pool_;
  engine::Analyst analyst_;
  std::shared_ptr<Shelf> shelf_ = std::make_shared<Shelf>();
  std::size_t jobs_ = 0;
};

}  // namespace nightbench::service
