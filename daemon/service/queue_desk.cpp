#include "daemon/service/queue_desk.hpp"

#include <algorithm>
#include <nlohmann/json.hpp>

#include "daemon/service/forms.hpp"

namespace nightbench::service {

using store::Entry;
using store::EntryState;

namespace {
constexpr std::size_t kMostOpen = 10'000;
}

QueueDesk::QueueDesk(store::SqliteQueue& store, Clock& clock, EventHub& events)
    : store_(store), clock_(clock), events_(events) {}

void QueueDesk::tell(const Entry& entry) {
  events_.publish("queue", json_of(entry).dump());
  if (changed_) changed_();
}

Result<Entry> QueueDesk::add(Entry entry) {
  TRY_ASSIGN(const auto counts, store_.count());
  std::int64_t open = 0;
  for (const auto& [state, number] : counts) open += store::is_over(state) ? 0 : number;
  if (open >= static_cast<std::int64_t>(kMostOpen)) {
    return fail(ErrorKind::bad_input, "the queue holds " + std::to_string(kMostOpen) +
                                          " entries that are not over; it takes no more");
  }
  entry.added = entry.changed = clock_.wall();
  TRY_ASSIGN(const std::int64_t id, store_.add(entry));
  TRY_ASSIGN(Entry kept, store_.find(id));
  tell(kept);
  return kept;
}

Result<void> QueueDesk::set(Entry& entry, EntryState state, std::string detail) {
  entry.state = state;
  entry.detail = std::move(detail);
  entry.changed = clock_.wall();
  TRY(store_.update(entry));
  tell(entry);
  return {};
}

Result<Entry> QueueDesk::change(std::int64_t id, std::vector<EntryState> from, EntryState to,
                                std::string detail) {
  TRY_ASSIGN(Entry entry, store_.find(id));
  if (entry.state == to) return entry;
  if (std::find(from.begin(), from.end(), entry.state) == from.end()) {
    return fail(ErrorKind::bad_input, "entry " + std::to_string(id) + " is " +
                                          store::word(entry.state) + " and cannot become " +
                                          store::word(to));
  }
  TRY(set(entry, to, std::move(detail)));
  return entry;
}

Result<Entry> QueueDesk::hold(std::int64_t id) {
  return change(id, {EntryState::waiting}, EntryState::held, "");
}
Result<Entry> QueueDesk::release(std::int64_t id) {
  return change(id, {EntryState::held}, EntryState::waiting, "");
}
Result<Entry> QueueDesk::cancel(std::int64_t id) {
  return change(id, {EntryState::waiting, EntryState::held}, EntryState::cancelled,
                "cancelled before it began");
}

Result<Entry> QueueDesk::move(std::int64_t id, std::optional<std::int64_t> before) {
  const auto movable = [](const Entry& entry) -> Result<void> {
    if (entry.state == EntryState::waiting || entry.state == EntryState::held) return {};
    return fail(ErrorKind::bad_input, "entry " + std::to_string(entry.id) + " is " +
                                          store::word(entry.state) + " and has no place to change");
  };
  TRY_ASSIGN(const Entry entry, store_.find(id));
  TRY(movable(entry));
  if (before && *before != id) {
    TRY_ASSIGN(const Entry other, store_.find(*before));
    TRY(movable(other));
  }
  if (!before || *before != id) TRY(store_.move(id, before));
  TRY_ASSIGN(Entry moved, store_.find(id));
  tell(moved);
  return moved;
}

Result<QueueDesk::Due> QueueDesk::due() {
  TRY_ASSIGN(auto entries, store_.list(0));
  const WallTime now = clock_.wall();
  Due out;
  for (Entry& entry : entries) {
    if (entry.state == EntryState::waiting && entry.until && *entry.until <= now) {
      TRY(set(entry, EntryState::expired, "its end time passed before it could begin"));
      continue;
    }
    ++out.open;
    if (entry.state != EntryState::waiting || out.entry) continue;
    if (entry.not_before && *entry.not_before > now) {
      if (!out.next || *entry.not_before < *out.next) out.next = entry.not_before;
      continue;
    }
    out.entry = entry;
  }
  return out;
}

Result<std::size_t> QueueDesk::recover() {
  TRY_ASSIGN(auto entries, store_.list(0));
  std::size_t count = 0;
  for (Entry& entry : entries) {
    if (entry.state != EntryState::running) continue;
    TRY(set(entry, EntryState::waiting, "the service ended without a word during its run"));
    ++count;
  }
  return count;
}

}  // namespace nightbench::service
