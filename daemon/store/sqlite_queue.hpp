// The queue of the service in the same database file as the runs: what is to be measured, in which
// order, and what became of it. Entries stay after they are over; ids never come again.
//
// Every change is one transaction and durable when the call returns. Any number of objects and
// processes may have the file open; one object is for one thread at a time. Errors: storage;
// bad_input for an id that is not there.
#pragma once

#include <cstdint>
#include <filesystem>
#include <map>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "daemon/store/sqlite_journal.hpp"
#include "drivers/base/clock.hpp"

namespace nightbench::store {

enum class EntryState : std::uint8_t {
  waiting,
  held,  // stays where it is until released
  running,
  done,         // every planned point is there or is "no reading"
  interrupted,  // stopped by a person, or by its end time
  failed,       // the bench let us down, or the board had to be protected
  expired,      // its end time passed before it began
  cancelled,
};
const char* word(EntryState state);
std::optional<EntryState> entry_state(std::string_view text);
// Whether nothing more will be done for the entry.
bool is_over(EntryState state);

struct Entry {
  std::int64_t id = 0;     // given by the store
  std::int64_t place = 0;  // order in the queue, given by the store
  std::string board;
  std::string board_type;       // name; "" takes the script's
  std::string board_type_text;  // the file as sent; "" takes the library's of that name
  std::string script;           // name
  std::string script_text;      // the file as sent; "" takes the library's of that name
  std::map<std::string, std::string> parameters;
  std::string person;
  bool in_place = false;  // nobody need be asked to put the board on the bench
  std::optional<WallTime> not_before, until;
  WallTime added, changed;
  EntryState state = EntryState::waiting;
  std::string detail;   // why it is in this state, for people
  std::string run_id;   // of its latest run; "" before the first
  std::string verdict;  // of that run once it is over
};

class SqliteQueue {
 public:
  // Opens `file`, creating it and the folders above it unless read_only.
  static Result<std::unique_ptr<SqliteQueue>> open(const std::filesystem::path& file,
                                                   const Options& options = {});
  ~SqliteQueue();
  SqliteQueue(const SqliteQueue&) = delete;
  SqliteQueue& operator=(const SqliteQueue&) = delete;

  // Appends the entry and returns its id. `place` and `id` of the argument do not count.
  Result<std::int64_t> add(const Entry& entry);
  // Entries that are not over, in their order, then at most `most_over` of the others, the latest
  // change first.
  Result<std::vector<Entry>> list(std::size_t most_over);
  Result<Entry> find(std::int64_t id);
  // Keeps state, detail, run, verdict, in_place and changed of the entry with this id.
  Result<void> update(const Entry& entry);
  // Puts the entry before another one, or at the end.
  Result<void> move(std::int64_t id, std::optional<std::int64_t> before);
  // How many entries there are in each state that occurs.
  Result<std::map<EntryState, std::int64_t>> count();

 private:
  struct Database;
  explicit SqliteQueue(std::unique_ptr<Database> database);
  std::unique_ptr<Database> database_;
};

}  // namespace nightbench::store
