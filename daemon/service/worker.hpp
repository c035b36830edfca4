// Owns the bench and works the queue off: one entry after the other, each with its board in place,
// its run in the store and its report in the folder. Whatever happens to one entry, the next has
// its turn; a bench that cannot be opened is tried again, later and later.
//
// On the I/O thread only. Ends only after stop(), with everything switched off.
#pragma once

#include <boost/asio/steady_timer.hpp>
#include <filesystem>
#include <functional>
#include <memory>
#include <optional>
#include <string>

#include "daemon/service/bench_house.hpp"
#include "daemon/service/live_run.hpp"
#include "daemon/service/queue_desk.hpp"
#include "daemon/service/read_room.hpp"
#include "daemon/service/remote_operator.hpp"
#include "sequences/engine/engine.hpp"
#include "sequences/record/journal.hpp"

namespace nightbench::service {

// The plan of an entry, checked against the bench. Errors: bad_input.
using PlanMaker =
    std::function<Result<script::Plan>(const store::Entry& entry, const bench::BenchFile& bench)>;

struct WorkerParts {  // all must outlive the worker
  Clock& clock;
  BenchHouse& house;
  PlanMaker plans;
  record::Journal& journal;
  QueueDesk& queue;
  EventHub& events;
  LiveRun& live;
  RemoteOperator& person;
  ReadRoom& room;
  std::filesystem::path out;  // folder of the reports
  std::string version;
  engine::StateKeeping state{};  // tests put faulty ones in place
};

enum class Phase : std::uint8_t { idle, opening, placing, running, writing, stopping, stopped };
const char* word(Phase phase);

class Worker {
 public:
  explicit Worker(WorkerParts parts);

  Awaitable<void> work();

  // Ends the run under way after its operation, switches everything off, ends work(). The entry
  // waits again. A second call does not wait for a slow instrument.
  void stop();
  // Ends the run of this entry, or the question for its board; the entry becomes `cancelled`.
  // bad_input when it is not the one under way.
  Result<void> cancel(std::int64_t entry);
  // The queue has changed.
  void wake();
  // The bench is closed and its file read anew before the next entry.
  void reopen() {
    reopen_ = true;
    wake();
  }

  Phase phase() const { return phase_; }
  std::optional<std::int64_t> entry() const;
  // Why the bench cannot be opened at present, "" when it can.
  const std::string& trouble() const { return trouble_; }
  std::uint64_t bench_failures() const { return bench_failures_; }

 private:
  enum class Why : std::uint8_t { none, stopped, cancelled, end_time, unguarded };
  enum class Place : std::uint8_t { ready, skipped, ended };

  void enter(Phase phase);
  Awaitable<void> rest(Duration most);
  Awaitable<void> serve(store::Entry entry);
  Awaitable<bool> opened(store::Entry& entry);
  Awaitable<Result<Place>> place(store::Entry& entry);
  Awaitable<void> measure(store::Entry& entry, const script::Plan& plan);
  // What an earlier run of the entry has left, when it can be carried on with.
  Awaitable<std::optional<engine::Kept>> left_by(const store::Entry& entry);
  // One run, new or carried on with. Nothing when it cannot be carried on with: begin anew.
  Awaitable<Result<std::optional<engine::Ending>>> run_once(store::Entry& entry,
                                                            const script::Plan& plan,
                                                            std::optional<engine::Kept> kept);
  void close_out(store::Entry& entry, const engine::Ending& ending);
  void conclude(store::Entry& entry, store::EntryState state, std::string detail);
  Awaitable<bool> switch_off();  // whether everything is off
  // The run has ended: at rest, or what is left on is the guardian's.
  Awaitable<void> settle(const Result<engine::Ending>& ending);
  void lose_guardian();
  Awaitable<void> shut();

  WorkerParts parts_;
  boost::asio::steady_timer nap_;
  Phase phase_ = Phase::idle;
  std::optional<store::Entry> current_;
  engine::Engine* engine_ = nullptr;
  Why why_ = Why::none;
  std::string in_place_;  // the board that a person has put on the bench
  std::string trouble_;
  Duration back_off_{};
  std::uint64_t bench_failures_ = 0;
  bool stopping_ = false, reopen_ = false;
};

}  // namespace nightbench::service
