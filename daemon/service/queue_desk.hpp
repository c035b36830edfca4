// The rules of the queue: which entry may be changed how, and what is due. Keeps every change in
// the store before it is told to anyone. On the I/O thread only.
#pragma once

#include <cstdint>
#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "daemon/service/event_hub.hpp"
#include "daemon/store/sqlite_queue.hpp"
#include "drivers/base/clock.hpp"

namespace nightbench::service {

class QueueDesk {
 public:
  // All must outlive this. `changed` is called after every change that may make an entry due.
  QueueDesk(store::SqliteQueue& store, Clock& clock, EventHub& events);
  void on_change(std::function<void()> changed) { changed_ = std::move(changed); }

  // Errors of all: storage; bad_input for an unknown entry or one whose state does not allow it.
  // Each publishes "queue" with the entry.
  Result<store::Entry> add(store::Entry entry);
  Result<store::Entry> hold(std::int64_t id);     // waiting -> held
  Result<store::Entry> release(std::int64_t id);  // held -> waiting
  Result<store::Entry> cancel(std::int64_t id);   // waiting or held -> cancelled
  Result<store::Entry> move(std::int64_t id, std::optional<std::int64_t> before);
  Result<std::vector<store::Entry>> list(std::size_t most_over = 100) {
    return store_.list(most_over);
  }
  Result<store::Entry> find(std::int64_t id) { return store_.find(id); }

  struct Due {
    std::optional<store::Entry> entry;  // the first that may begin now
    std::optional<WallTime> next;       // when another becomes due, if none is
    std::size_t open = 0;               // waiting, held or running
  };
  // Entries whose end has passed are put to `expired` on the way.
  Result<Due> due();
  // Keeps a new state with its reason.
  Result<void> set(store::Entry& entry, store::EntryState state, std::string detail);
  // After a start: entries left `running` by a process that ended without a word wait again, first
  // in their place. Returns how many.
  Result<std::size_t> recover();
  Result<std::map<store::EntryState, std::int64_t>> count() { return store_.count(); }

 private:
  Result<store::Entry> change(std::int64_t id, std::vector<store::EntryState> from,
                              store::EntryState to, std::string detail);
  void tell(const store::Entry& entry);

  store::SqliteQueue& store_;
  Clock& clock_;
  EventHub& events_;
  std::function<void()> changed_;
};

}  // namespace nightbench::service
