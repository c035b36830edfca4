#include "tests/soak/nights/night.hpp"

#include <algorithm>
#include <cstdio>
#include <nlohmann/json.hpp>
#include <optional>
#include <stdexcept>

#include "sequences/engine/header.hpp"
#include "sequences/record/json_form.hpp"
#include "tests/soak/nights/life.hpp"
#include "tests/support/places.hpp"

namespace nightbench::testing {
namespace {

const std::string kSource = NIGHTBENCH_SOURCE_DIR;
constexpr Duration kOffWithin = std::chrono::seconds(2);
// With troubles in the way of the guardian; it tries for ten minutes.
constexpr Duration kOffAtLast = std::chrono::minutes(11);
constexpr Duration kLongestNight = std::chrono::hours(48);
constexpr Duration kForTheEnd = std::chrono::minutes(30);

template <typename T>
T must(Result<T> result) {
  if (!result) throw std::runtime_error(describe(result.error()));
  return *std::move(result);
}

class Night {
 public:
  Night(const NightPlan& plan, Sabotage sabotage, const std::string& folder)
      : plan_(plan), sabotage_(sabotage), folder_(folder), bench_loop_(time_) {
    simulation_ = must(mock::server::SimulatedBench::start_text(
        plan.simulation, "simulation", kSource + "/mock_instruments/benches", bench_loop_,
        mock::server::Transport::memory));
    file_ = must(bench::decode_bench(must(json::parse(plan.bench, kSource + "/docs/examples/bench"))));
  }

  ~Night() {
    simulation_->stop();
    time_.run({}, time_.now());
    // What waits for a stream waits on the bench's loop but runs on its own: all are dropped before
    // any of their owners goes.
    bench_loop_.drop();
    for (const auto& life : lives_) life->loop().drop();
  }

  NightOutcome run() {
    for (const auto& [at_s, by_s] : plan_.wall_jumps) {
      jumps_.push_back(bench_loop_.arm(TimePoint(from_seconds(at_s)), [this, shift = by_s] {
        tell("the calendar clock jumps by " + std::to_string(shift) + " s");
        time_.shift_wall(from_seconds(shift));
      }));
    }
    start(true);
    for (const PlannedKill& kill : plan_.kills) {
      if (time_.run([this] { return life_->is_idle(); }, started_ + from_seconds(kill.after_s))) break;
      end_by(kill);
      start(false);
    }
    bring_to_its_end();
    look_at_store();
    out_.tally.nights = 1;
    out_.tally.hours = seconds(time_.now().time_since_epoch()) / 3600;
    out_.tally.strikes = strikes();
    out_.tally.findings = out_.findings.size();
    return std::move(out_);
  }

 private:
  void tell(const std::string& text) {
    char when[32];
    std::snprintf(when, sizeof when, "%10.3f s  ", seconds(time_.now().time_since_epoch()));
    out_.story += when + text + "\n";
  }
  void find(const std::string& text) {
    tell("FOUND: " + text);
    out_.findings.push_back(text);
  }

  void start(bool first) {
    lives_.push_back(std::make_unique<Life>(
        LifeParts{time_, *simulation_, file_, folder_, sabotage_}));
    life_ = lives_.back().get();
    ++out_.tally.lives;
    if (first) {
      for (const std::string& board : plan_.boards) {
        store::Entry entry;
        entry.board = board;
        entry.script = "response";
        entry.parameters = {{"points", std::to_string(plan_.points)}};
        must(life_->desk().add(entry));
      }
    }
    started_ = time_.now();
    tell("the daemon starts");
    life_->begin();
  }

  std::uint64_t strikes(const char* const* names, std::size_t count) const {
    std::uint64_t out = 0;
    for (std::size_t n = 0; n < count; ++n) {
      for (const auto& [kind, times] : simulation_->strikes(names[n])) out += times;
    }
    return out;
  }
  std::uint64_t driving_strikes() const {
    static constexpr const char* kNames[]{"generator", "clock", "supply"};
    return strikes(kNames, 3);
  }
  std::uint64_t strikes() const {
    static constexpr const char* kNames[]{"generator", "clock", "supply", "scope", "meter", "relays"};
    return strikes(kNames, 6);
  }
  // One of those that answer no more until somebody switches them off and on.
  bool has_lasting_trouble() const {
    return plan_.scheduled.contains("never_complete") || plan_.scheduled.contains("wrong_identity");
  }

  void end_by(const PlannedKill& kill) {
    time_.step(life_->loop(), kill.handlers);
    life_->freeze();
    ++(kill.kind == KillKind::kill ? out_.tally.kills : out_.tally.hangs);
    const auto run = life_->live().snapshot();
    if (!run.is_null()) ++out_.tally.kills_in_a_run;
    tell(std::string(kill.kind == KillKind::kill ? "the daemon is killed" : "the daemon hangs") +
         ", on: " + what_is_on(*simulation_) + ", run: " + run.dump().substr(0, 60));
    if (kill.kind == KillKind::hang) {
      time_.run({}, time_.now() + file_.guardian.watchdog);
      tell("its guardian ends it");
    }
    const TimePoint dead = time_.now();
    const std::uint64_t before = driving_strikes();
    life_->cut();
    if (life_->guardian() != nullptr) life_->guardian()->take_over();
    look_at_points();
    watch_it_go_off(dead, before);
    time_.run({}, dead + from_seconds(kill.pause_s));
  }

  // Every point that was told is in the store.
  void look_at_points() {
    const auto snapshot = life_->live().snapshot();
    if (snapshot.is_null() || !life_->live().progress()) return;
    const std::uint64_t told = life_->live().progress()->points_done;
    const std::string run = snapshot["run"];
    store::Options options;
    options.read_only = true;
    const auto journal = must(store::SqliteJournal::open(database_of(folder_), options));
    const auto kept = journal->measured(run);
    const std::uint64_t there = kept ? kept->size() : 0;
    if (there < told) {
      find("run " + run + " had " + std::to_string(told) + " points when the daemon was killed, " +
           std::to_string(there) + " of them are in the store");
    }
  }

  void watch_it_go_off(TimePoint dead, std::uint64_t strikes_before) {
    const auto off = [this] { return what_is_on(*simulation_).empty(); };
    if (time_.run(off, dead + kOffWithin)) {
      out_.tally.slowest_off_s =
          std::max(out_.tally.slowest_off_s, seconds(time_.now() - dead));
      tell("everything is off");
      return;
    }
    const std::string still = what_is_on(*simulation_);
    const bool in_the_way = driving_strikes() != strikes_before || has_lasting_trouble();
    if (!in_the_way || life_->guardian() == nullptr) {
      find(still + "still on 2 s after the daemon was killed");
      return;
    }
    tell(still + "still on 2 s after the kill, with troubles in the way");
    if (!time_.run(off, dead + kOffAtLast)) {
      find(what_is_on(*simulation_) + "still on 11 min after the daemon was killed");
    }
  }

  void bring_to_its_end() {
    if (!time_.run([this] { return life_->is_idle(); }, time_.now() + kLongestNight)) {
      find("the queue is not worked off after " +
           std::to_string(seconds(time_.now().time_since_epoch()) / 3600) + " h: deadlock");
    }
    tell("the queue is worked off");
    life_->ask_to_end();
    if (!time_.run([this] { return life_->has_ended(); }, time_.now() + kForTheEnd)) {
      find("the daemon does not end when it is asked to");
    }
    for (const auto& life : lives_) {
      GuardianHand* const guardian = life->guardian();
      if (guardian == nullptr || !guardian->took_over()) continue;
      if (!time_.run([guardian] { return guardian->takeover().over; }, time_.now() + kOffAtLast)) {
        find("a guardian does not end");
      }
    }
    const std::string on = what_is_on(*simulation_);
    if (!on.empty()) find(on + "still on at the end");
    for (const auto& life : lives_) {
      if (!life->unrest().empty()) find(life->unrest() + "still on when a run had ended");
    }
  }

  void look_at_store() {
    const auto journal = must(store::SqliteJournal::open(database_of(folder_)));
    const auto queue = must(store::SqliteQueue::open(database_of(folder_)));
    std::string all;
    std::uint64_t unread = 0;
    const auto entries = must(queue->list(100));
    for (const store::Entry& entry : entries) {
      if (entry.run_id.empty()) {
        find("entry " + std::to_string(entry.id) + " has no run: " + entry.detail);
        continue;
      }
      const record::Run run = must(journal->load(entry.run_id));
      tell("entry " + std::to_string(entry.id) + " (" + entry.board + "): " +
           store::word(entry.state) + " " + entry.detail);
      check_entry(entry, run, out_.tally, out_.findings);
      unread += unread_points(run);
    }
    for (const store::RunSummary& each : must(journal->runs())) {
      const record::Run run = must(journal->load(each.run_id));
      ++out_.tally.runs;
      for (const record::Event& event : run.events) {
        tell("run " + each.run_id + " " + event.id + ": " + event.text);
        if (event.id == "run-resumed") ++out_.tally.carried_on;
      }
      check_truth(run, *simulation_, out_.tally, out_.findings);
      all += engine::sha256_hex(record::json_text(run));
    }
    out_.tally.begun_anew = out_.tally.runs - std::min<std::uint64_t>(out_.tally.runs, entries.size());
    out_.tally.unread += unread;
    // A point without a reading needs trouble for a cause.
    if (unread > strikes() && !has_lasting_trouble()) {
      find(std::to_string(unread) + " points without a reading after " + std::to_string(strikes()) +
           " troubles");
    }
    out_.fingerprint = engine::sha256_hex(all);
  }

  const NightPlan& plan_;
  Sabotage sabotage_;
  std::filesystem::path folder_;
  SharedTime time_;
  Loop bench_loop_;
  std::unique_ptr<mock::server::SimulatedBench> simulation_;
  bench::BenchFile file_;
  std::vector<std::unique_ptr<Life>> lives_;
  Life* life_ = nullptr;
  TimePoint started_{};
  std::vector<std::unique_ptr<Alarm>> jumps_;
  NightOutcome out_;
};

}  // namespace

NightOutcome run_night(const NightPlan& plan, Sabotage sabotage, const std::string& folder) {
  Night night(plan, sabotage, folder);
  return night.run();
}

}  // namespace nightbench::testing
