// The bench of a simulated daemon, and its guardian: the daemon's side of service::BenchHouse over
// in-memory streams that are cut when the daemon is killed, and the guardian's hand on a loop of its
// own that lives on.
#pragma once

#include <memory>
#include <string>
#include <vector>

#include "daemon/guardian/outputs.hpp"
#include "daemon/service/bench_house.hpp"
#include "drivers/link/wake.hpp"
#include "mock_instruments/server/simulated_bench.hpp"
#include "tests/soak/nights/shared_time.hpp"

namespace nightbench::testing {

// Connections of one process: all end with it.
class Wires {
 public:
  explicit Wires(mock::server::SimulatedBench& simulation) : simulation_(simulation) {}
  bench::LinkMaker links();
  void cut();

 private:
  mock::server::SimulatedBench& simulation_;
  std::vector<std::weak_ptr<link::Stream>> streams_;
};

// What became of a takeover.
struct Takeover {
  bool over = false;
  TimePoint done{};
  std::vector<bench::NotSafe> left;
};

class GuardianHand {
 public:
  GuardianHand(SharedTime& time, mock::server::SimulatedBench& simulation,
               guardian::Outputs outputs);
  ~GuardianHand();
  // Switches everything off for `patience` at most and calls `done` on its own loop.
  void switch_off(Duration patience, std::function<void(std::vector<bench::NotSafe>)> done);
  void take_over();
  const Takeover& takeover() const { return takeover_; }
  bool took_over() const { return took_over_; }
  Loop& loop() { return loop_; }

 private:
  Loop loop_;
  Wires wires_;
  guardian::Outputs outputs_;
  bool took_over_ = false;
  Takeover takeover_;
};

class House final : public service::BenchHouse {
 public:
  // `guardian` may be null: a daemon without one. All must outlive it.
  House(Loop& loop, mock::server::SimulatedBench& simulation, bench::BenchFile file,
        GuardianHand* guardian);

  Result<bench::BenchFile> read() override { return file_; }
  Awaitable<Result<bench::Bench*>> open() override;
  bench::Bench* bench() override { return bench_.get(); }
  Awaitable<Result<void>> arm() override;
  void rest() override;
  void on_guardian_lost(std::function<void()>) override {}
  void close() override;
  Result<bool> place(const std::string& board) override;
  std::unique_ptr<engine::Operator> hand(engine::Operator& person) override;
  boost::asio::thread_pool* pool() override { return nullptr; }

  // The process is gone.
  void cut() { wires_.cut(); }
  // What was on when rest() said that everything was off; "" when nothing ever was.
  const std::string& unrest() const { return unrest_; }

 private:
  Loop& loop_;
  mock::server::SimulatedBench& simulation_;
  bench::BenchFile file_;
  GuardianHand* guardian_;
  Wires wires_;
  std::unique_ptr<bench::Bench> bench_;
  std::vector<std::unique_ptr<bench::Bench>> closed_;  // their coroutines see it when the loop runs
  bool armed_ = false;
  std::string unrest_;
};

// "rf source", "supply" ... that is on at this instant, "" when nothing is.
std::string what_is_on(const mock::server::SimulatedBench& simulation);

}  // namespace nightbench::testing
