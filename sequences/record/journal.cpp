#include "sequences/record/journal.hpp"

#include <algorithm>

namespace nightbench::record {
namespace {

std::unexpected<Error> unknown(const std::string& run_id) {
  return fail(ErrorKind::bad_input, "there is no run \"" + run_id + "\"");
}

}  // namespace

Run* MemoryJournal::find(const std::string& run_id) {
  const auto found = std::find_if(runs_.begin(), runs_.end(),
                                  [&](const Run& run) { return run.header.run_id == run_id; });
  return found == runs_.end() ? nullptr : &*found;
}

Result<void> MemoryJournal::begin(const Header& header) {
  if (find(header.run_id) != nullptr) {
    return fail(ErrorKind::internal, "run \"" + header.run_id + "\" was begun before");
  }
  runs_.emplace_back().header = header;
  return {};
}

Result<void> MemoryJournal::reopen(const std::string& run_id) {
  Run* run = find(run_id);
  if (run == nullptr) return unknown(run_id);
  run->outcome = Outcome::unfinished;
  run->outcome_text.clear();
  run->finished.reset();
  return {};
}

Result<void> MemoryJournal::append(const std::string& run_id, const Point& point) {
  Run* run = find(run_id);
  if (run == nullptr) return unknown(run_id);
  const auto at = std::lower_bound(
      run->points.begin(), run->points.end(), point.ordinal,
      [](const Point& kept, std::uint64_t ordinal) { return kept.ordinal < ordinal; });
  if (at != run->points.end() && at->ordinal == point.ordinal) {
    return fail(ErrorKind::internal, "point " + std::to_string(point.ordinal) + " was kept before");
  }
  run->points.insert(at, point);
  return {};
}

Result<void> MemoryJournal::note(const std::string& run_id, const Event& event) {
  Run* run = find(run_id);
  if (run == nullptr) return unknown(run_id);
  run->events.push_back(event);
  return {};
}

Result<void> MemoryJournal::finish(const std::string& run_id, Outcome outcome,
                                   const std::string& text, WallTime when) {
  Run* run = find(run_id);
  if (run == nullptr) return unknown(run_id);
  run->outcome = outcome;
  run->outcome_text = text;
  run->finished = when;
  return {};
}

Result<Run> MemoryJournal::load(const std::string& run_id) {
  Run* run = find(run_id);
  if (run == nullptr) return unknown(run_id);
  return *run;
}

Result<std::vector<std::uint64_t>> MemoryJournal::measured(const std::string& run_id) {
  Run* run = find(run_id);
  if (run == nullptr) return unknown(run_id);
  std::vector<std::uint64_t> out;
  for (const Point& point : run->points) out.push_back(point.ordinal);
  return out;
}

}  // namespace nightbench::record
