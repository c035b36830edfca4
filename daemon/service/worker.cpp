#include "daemon/service/worker.hpp"

#include <spdlog/spdlog.h>

#include <algorithm>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <nlohmann/json.hpp>

#include "sequences/engine/header.hpp"
#include "sequences/report/write_files.hpp"

namespace nightbench::service {
namespace asio = boost::asio;

using store::Entry;
using store::EntryState;

namespace {

constexpr Duration kFirstBackOff = std::chrono::seconds(2);
constexpr Duration kLongestBackOff = std::chrono::minutes(5);
// Calendar times are looked at again this often, because that clock may be set.
constexpr Duration kLongestNap = std::chrono::seconds(30);

engine::Prompt placing_prompt(const Entry& entry) {
  engine::Prompt prompt;
  prompt.kind = engine::PromptKind::question;
  prompt.id = "place_board";
  prompt.title = "Put board " + entry.board + " on the bench";
  prompt.text =
      "All outputs are off. Take the board before it off, put " + entry.board +
      " in its place and connect supply, RF and LO as they were. Mind the polarity, and wear your "
      "wrist strap.";
  prompt.answers = {engine::Answer::done, engine::Answer::skip, engine::Answer::stop};
  return prompt;
}

}  // namespace

const char* word(Phase phase) {
  switch (phase) {
    case Phase::idle:
      return "idle";
    case Phase::opening:
      return "opening";
    case Phase::placing:
      return "placing";
    case Phase::running:
      return "running";
    case Phase::writing:
      return "writing";
    case Phase::stopping:
      return "stopping";
    case Phase::stopped:
      return "stopped";
  }
  return "";
}

Worker::Worker(WorkerParts parts)
    : parts_(std::move(parts)),
      nap_(parts_.clock.context(), asio::steady_timer::time_point::max()) {
  parts_.house.on_guardian_lost([this] { lose_guardian(); });
}

void Worker::wake() {
  nap_.cancel();
}

std::optional<std::int64_t> Worker::entry() const {
  return current_ ? std::optional(current_->id) : std::nullopt;
}

void Worker::enter(Phase phase) {
  if (phase_ == phase) return;
  phase_ = phase;
  nlohmann::ordered_json out{{"phase", word(phase)}};
  if (current_) out["entry"] = current_->id;
  if (!trouble_.empty()) out["trouble"] = trouble_;
  parts_.events.publish("phase",
                        out.dump(-1, ' ', false, nlohmann::ordered_json::error_handler_t::replace));
}

void Worker::stop() {
  const bool again = stopping_;
  stopping_ = true;
  if (why_ == Why::none) why_ = Why::stopped;
  parts_.person.withdraw();
  if (engine_ != nullptr) {
    engine_->request_stop();
    if (again && parts_.house.bench() != nullptr) parts_.house.bench()->close();
  }
  wake();
}

void Worker::lose_guardian() {
  spdlog::error("the guardian has ended; everything is switched off and the bench opened anew");
  if (why_ == Why::none) why_ = Why::unguarded;
  if (engine_ != nullptr) engine_->request_stop();
  reopen();
}

Result<void> Worker::cancel(std::int64_t id) {
  if (!current_ || current_->id != id) {
    return fail(ErrorKind::bad_input, "entry " + std::to_string(id) + " is not under way");
  }
  if (why_ == Why::none) why_ = Why::cancelled;
  parts_.person.withdraw();
  if (engine_ != nullptr) engine_->request_stop();
  return {};
}

Awaitable<void> Worker::rest(Duration most) {
  if (stopping_) co_return;
  const auto alarm = parts_.clock.arm(parts_.clock.now() + most, [this] { nap_.cancel(); });
  boost::system::error_code woken;
  co_await nap_.async_wait(asio::redirect_error(asio::use_awaitable, woken));
}

Awaitable<void> Worker::work() {
  while (!stopping_) {
    if (reopen_) {
      reopen_ = false;
      co_await shut();
      back_off_ = {};
    }
    const Result<QueueDesk::Due> due = parts_.queue.due();
    if (!due) {
      spdlog::error("the queue cannot be read: {}", describe(due.error()));
      co_await rest(kFirstBackOff);
      continue;
    }
    if (!due->entry) {
      enter(Phase::idle);
      Duration nap = kLongestNap;
      if (due->next) nap = std::clamp<Duration>(*due->next - parts_.clock.wall(), Duration(1), nap);
      co_await rest(nap);
      continue;
    }
    co_await serve(*due->entry);
    if (why_ == Why::unguarded) co_await rest(kFirstBackOff);
  }
  enter(Phase::stopping);
  co_await shut();
  enter(Phase::stopped);
}

Awaitable<bool> Worker::switch_off() {
  const std::vector<bench::NotSafe> left = co_await parts_.house.bench()->make_safe();
  for (const bench::NotSafe& each : left) {
    spdlog::critical("{} may still be on, switch it off by hand: {}", each.instrument,
                     describe(each.error));
  }
  co_return left.empty();
}

Awaitable<void> Worker::settle(const Result<engine::Ending>& ending) {
  bool all_off = ending && ending->all_off;
  if (!all_off) all_off = co_await switch_off();
  if (all_off)
    parts_.house.rest();
  else
    parts_.house.close();
}

Awaitable<void> Worker::shut() {
  if (parts_.house.bench() == nullptr) co_return;
  co_await switch_off();
  parts_.house.close();
}

void Worker::conclude(Entry& entry, EntryState state, std::string detail) {
  const Result<void> kept = parts_.queue.set(entry, state, std::move(detail));
  if (!kept) spdlog::error("entry {} cannot be kept: {}", entry.id, describe(kept.error()));
  spdlog::info("entry {} ({}, {}): {}{}{}", entry.id, entry.board, entry.script,
               store::word(entry.state), entry.detail.empty() ? "" : ": ", entry.detail);
}

Awaitable<bool> Worker::opened(Entry& entry) {
  if (parts_.house.bench() != nullptr) co_return true;
  enter(Phase::opening);
  const Result<bench::Bench*> bench = co_await parts_.house.open();
  if (bench) {
    trouble_.clear();
    back_off_ = {};
    spdlog::info("bench \"{}\" is open", (*bench)->file().name);
    // A process before this one may have ended without a word and left something on.
    co_await switch_off();
    co_return true;
  }
  trouble_ = describe(bench.error());
  ++bench_failures_;
  spdlog::error("the bench cannot be opened: {}", trouble_);
  back_off_ = std::clamp(back_off_ * 2, kFirstBackOff, kLongestBackOff);
  if (entry.detail != trouble_) conclude(entry, EntryState::waiting, trouble_);
  enter(Phase::idle);
  current_.reset();
  co_await rest(back_off_);
  co_return false;
}

Awaitable<Result<Worker::Place>> Worker::place(Entry& entry) {
  CO_TRY_ASSIGN(const bool by_itself, parts_.house.place(entry.board));
  if (by_itself || entry.in_place || in_place_ == entry.board) co_return Place::ready;
  enter(Phase::placing);
  in_place_.clear();
  engine::Prompt prompt = placing_prompt(entry);
  const Result<engine::Reply> reply = co_await parts_.person.ask(std::move(prompt));
  if (!reply || reply->answer == engine::Answer::stop) co_return Place::ended;
  if (reply->answer == engine::Answer::skip) co_return Place::skipped;
  in_place_ = entry.board;
  co_return Place::ready;
}

Awaitable<void> Worker::serve(Entry entry) {
  current_ = entry;
  why_ = Why::none;
  parts_.person.renew();
  const bool open = co_await opened(entry);
  if (!open) co_return;
  const Result<script::Plan> plan = parts_.plans(entry, parts_.house.bench()->file());
  if (!plan) {
    conclude(entry, EntryState::failed, describe(plan.error()));
    current_.reset();
    co_return;
  }
  const Result<void> kept = parts_.queue.set(entry, EntryState::running, "");
  if (!kept) {
    // Without the store nothing is begun.
    spdlog::error("entry {} cannot begin: {}", entry.id, describe(kept.error()));
    current_.reset();
    co_await rest(kFirstBackOff);
    co_return;
  }
  current_ = entry;
  const Result<Place> placed = co_await place(entry);
  if (!placed) {
    conclude(entry, EntryState::failed, describe(placed.error()));
  } else if (stopping_) {
    conclude(entry, EntryState::waiting, "the service was stopped");
  } else if (why_ == Why::cancelled) {
    conclude(entry, EntryState::cancelled, "cancelled before it began");
  } else if (*placed == Place::skipped) {
    conclude(entry, EntryState::cancelled, "skipped: the board was not put on the bench");
  } else if (*placed == Place::ended) {
    conclude(entry, EntryState::held, "held: nobody could put the board on the bench");
  } else {
    co_await measure(entry, *plan);
  }
  current_.reset();
}

Awaitable<std::optional<engine::Kept>> Worker::left_by(const Entry& entry) {
  if (entry.run_id.empty()) co_return std::nullopt;
  const auto kept = std::make_shared<std::optional<engine::Kept>>();
  ReadRoom::Work work = [kept, id = entry.run_id](Shelf& shelf) -> Result<std::string> {
    TRY_ASSIGN(record::Run run, shelf.journal->load_without_points(id));
    if (run.outcome != record::Outcome::unfinished && run.outcome != record::Outcome::interrupted) {
      return std::string();
    }
    kept->emplace(std::move(run.header));
    TRY(shelf.journal->for_each_point(id, [&](const record::Point& point) {
      (*kept)->take(point);
      return true;
    }));
    return std::string();
  };
  const Result<std::string> read = co_await parts_.room.read(std::move(work));
  if (!read) {
    spdlog::error("run {} cannot be carried on with: {}", entry.run_id, describe(read.error()));
    co_return std::nullopt;
  }
  co_return std::move(*kept);
}

Awaitable<Result<std::optional<engine::Ending>>> Worker::run_once(
    Entry& entry, const script::Plan& plan, std::optional<engine::Kept> kept) {
  if (parts_.house.bench() == nullptr) co_return fail(ErrorKind::refused, "the bench is closed");
  bench::Bench& bench = *parts_.house.bench();
  const bool anew = !kept.has_value();
  record::Header header;
  if (anew) {
    engine::RunIdentity identity;
    identity.board = entry.board;
    identity.person = entry.person;
    identity.program_version = parts_.version;
    header = engine::make_header(plan, bench, identity);
    entry.run_id = header.run_id;
    entry.verdict.clear();
    CO_TRY(parts_.queue.set(entry, EntryState::running, ""));
  }
  current_ = entry;
  parts_.live.expect(entry.id);
  enter(Phase::running);
  CO_TRY(co_await parts_.house.arm());
  engine::Analyst analyst(parts_.clock.context(), parts_.house.pool());
  const std::unique_ptr<engine::Operator> hand = parts_.house.hand(parts_.person);
  engine::Settings settings;
  settings.person = hand.get();
  settings.state = parts_.state;
  settings.keep_match = [file = bench::match_path(bench.file().file)](const bench::MatchFile& match) {
    return report::write_file(file, bench::match_text(match));
  };
  engine::Engine engine(plan, bench, parts_.journal, analyst, &parts_.live, std::move(settings));
  engine_ = &engine;
  Result<engine::Ending> ending = fail(ErrorKind::internal, "not run");
  if (anew)
    ending = co_await engine.run(std::move(header));
  else
    ending = co_await engine.resume(*std::move(kept));
  engine_ = nullptr;
  co_await settle(ending);
  if (!ending && !anew && ending.error().kind == ErrorKind::bad_input) {
    spdlog::warn("run {} is not carried on with: {}", entry.run_id, describe(ending.error()));
    co_return std::optional<engine::Ending>();
  }
  if (!ending) co_return fail(ending.error());
  const bool refused = !anew && ending->outcome == record::Outcome::interrupted && ending->error &&
                       ending->error->kind != ErrorKind::cancelled;
  if (refused) {
    spdlog::warn("run {} is not carried on with: {}", entry.run_id, ending->text);
    co_return std::optional<engine::Ending>();
  }
  co_return std::optional<engine::Ending>(*std::move(ending));
}

Awaitable<void> Worker::measure(Entry& entry, const script::Plan& plan) {
  std::unique_ptr<Alarm> end;
  if (entry.until) {
    const Duration left = *entry.until - parts_.clock.wall();
    end = parts_.clock.arm(parts_.clock.now() + left, [this] {
      if (why_ == Why::none) why_ = Why::end_time;
      if (engine_ != nullptr) engine_->request_stop();
    });
  }
  std::optional<engine::Kept> kept = co_await left_by(entry);
  if (kept)
    spdlog::info("carrying on with run {}, {} points are there", entry.run_id, kept->points());
  auto ending = co_await run_once(entry, plan, std::move(kept));
  if (ending && !*ending && why_ == Why::none) {
    std::optional<engine::Kept> nothing;
    ending = co_await run_once(entry, plan, std::move(nothing));
  }
  end.reset();
  if (!ending) {
    conclude(entry, EntryState::failed, describe(ending.error()));
    co_return;
  }
  if (!*ending) {
    conclude(entry, EntryState::waiting, "stopped before it could begin anew");
    co_return;
  }
  enter(Phase::writing);
  const Result<std::string> verdict = co_await parts_.room.write_files(entry.run_id, parts_.out);
  if (verdict)
    entry.verdict = *verdict;
  else
    spdlog::error("the report of run {} cannot be written: {}", entry.run_id,
                  describe(verdict.error()));
  close_out(entry, **ending);
}

void Worker::close_out(Entry& entry, const engine::Ending& ending) {
  switch (ending.outcome) {
    case record::Outcome::complete:
      return conclude(entry, EntryState::done, "");
    case record::Outcome::interrupted:
      if (why_ == Why::stopped)
        return conclude(entry, EntryState::waiting, "interrupted: the service was stopped");
      if (why_ == Why::cancelled)
        return conclude(entry, EntryState::cancelled, "cancelled while it ran");
      if (why_ == Why::end_time)
        return conclude(entry, EntryState::interrupted, "its end time came");
      if (why_ == Why::unguarded)
        return conclude(entry, EntryState::waiting, "interrupted: the guardian has ended");
      return conclude(entry, EntryState::interrupted, ending.text);
    case record::Outcome::unsafe:
      return conclude(entry, EntryState::failed, "stopped to protect the board: " + ending.text);
    case record::Outcome::bench_failed:
    case record::Outcome::unfinished:
      ++bench_failures_;
      parts_.house.close();  // the next entry gets new connections
      return conclude(entry, EntryState::failed, ending.text);
  }
}

}  // namespace nightbench::service
