// One life of the daemon: everything of the service but its HTTP, on a loop of its own, over a
// database that outlives it.
#pragma once

#include <filesystem>
#include <memory>
#include <string>

#include "daemon/service/worker.hpp"
#include "daemon/store/sqlite_queue.hpp"
#include "tests/soak/nights/house.hpp"
#include "tests/soak/nights/night_plan.hpp"
#include "tests/soak/nights/sabotage.hpp"

namespace nightbench::testing {

struct LifeParts {
  SharedTime& time;
  mock::server::SimulatedBench& simulation;
  const bench::BenchFile& file;
  std::filesystem::path folder;
  Sabotage sabotage = Sabotage::none;
};

class Life {
 public:
  // Throws std::runtime_error when the store cannot be opened.
  explicit Life(const LifeParts& parts);
  ~Life();
  Life(const Life&) = delete;
  Life& operator=(const Life&) = delete;

  // Starts to work the queue off.
  void begin();
  void ask_to_end() { worker_.stop(); }
  bool has_ended() const { return ended_; }
  // Whether it has nothing more to do, as far as it knows.
  bool is_idle();

  // Stops dead between two handlers. Its connections are cut, now or when a guardian ends it.
  void freeze() { loop_.freeze(); }
  void cut() { house_.cut(); }

  Loop& loop() { return loop_; }
  GuardianHand* guardian() { return guardian_.get(); }
  service::QueueDesk& desk() { return desk_; }
  const service::LiveRun& live() const { return live_; }
  const std::string& unrest() const { return house_.unrest(); }

 private:
  static guardian::Outputs outputs(const LifeParts& parts);

  Loop loop_;
  std::unique_ptr<GuardianHand> guardian_;
  std::unique_ptr<store::SqliteJournal> journal_;
  std::unique_ptr<store::SqliteQueue> queue_;
  std::unique_ptr<record::Journal> late_;
  service::EventHub events_;
  service::LiveRun live_;
  service::RemoteOperator person_;
  service::QueueDesk desk_;
  service::ReadRoom room_;
  House house_;
  service::Worker worker_;
  bool ended_ = false;
};

std::filesystem::path database_of(const std::filesystem::path& folder);

}  // namespace nightbench::testing
