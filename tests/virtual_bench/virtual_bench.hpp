// A whole simulated bench and the program's bench on it, in one thread on virtual time: in-memory
// streams in place of sockets, nothing else changed. For tests of engine and script.
#pragma once

#include <boost/asio/io_context.hpp>
#include <functional>
#include <map>
#include <memory>
#include <optional>
#include <string>

#include "drivers/base/clock.hpp"
#include "drivers/bench/bench.hpp"
#include "mock_instruments/server/simulated_bench.hpp"
#include "sequences/engine/engine.hpp"
#include "sequences/record/journal.hpp"
#include "sequences/script/plan.hpp"

namespace nightbench::testing {

class VirtualBench {
 public:
  // `simulation`: text of a simulated bench file, relative paths in it start at `folder`.
  // `bench`: text of a bench file; its kind does not matter. Throws std::runtime_error when a file
  // is wrong.
  VirtualBench(const std::string& simulation, const std::string& folder, const std::string& bench);
  // The demo's simulation and bench file, with `change` applied to their JSON text first.
  static std::unique_ptr<VirtualBench> demo(
      const std::function<void(std::string& simulation, std::string& bench)>& change = {});
  ~VirtualBench();

  boost::asio::io_context& io() { return io_; }
  VirtualClock& clock() { return clock_; }
  mock::server::SimulatedBench& simulation() { return *simulation_; }
  const bench::BenchFile& file() const { return file_; }

  // Opens the bench; runs virtual time until that is done.
  Result<bench::Bench*> open();
  // Runs `work` to its end on virtual time. Throws std::runtime_error when everything comes to a
  // standstill before (a deadlock).
  void run(std::function<Awaitable<void>()> work);
  // Runs a plan on the open bench into `journal`.
  Result<engine::Ending> run_plan(const script::Plan& plan, record::Journal& journal,
                                  const std::string& board, engine::Observer* observer = nullptr,
                                  engine::Settings settings = {});

 private:
  boost::asio::io_context io_;
  VirtualClock clock_;
  std::unique_ptr<mock::server::SimulatedBench> simulation_;
  bench::BenchFile file_;
  std::unique_ptr<bench::Bench> bench_;
};

// A plan from texts; throws std::runtime_error with the error's text.
script::Plan make_plan(const std::string& script, const std::string& board_type,
                       const std::map<std::string, std::string>& settings = {});
std::string library_text(const std::string& path);  // below sequences/library

}  // namespace nightbench::testing
