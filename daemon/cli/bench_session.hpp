// A bench file brought to life for one command: I/O loop, clock, the simulated instruments where
// the file asks for them (in this process, on real sockets all the same), or the recording that it
// replays (on virtual time), and the open bench.
#pragma once

#include <boost/asio/io_context.hpp>
#include <boost/asio/thread_pool.hpp>
#include <filesystem>
#include <functional>
#include <memory>
#include <string>

#include "daemon/guardian/guard.hpp"
#include "drivers/base/clock.hpp"
#include "drivers/bench/bench.hpp"
#include "drivers/link/recording/recorder.hpp"
#include "drivers/link/recording/replay.hpp"
#include "mock_instruments/server/simulated_bench.hpp"

namespace nightbench::cli {

class BenchSession {
 public:
  // Reads the file and, for a simulated bench, starts its instruments. Opens no instrument yet.
  static Result<std::unique_ptr<BenchSession>> make(const std::filesystem::path& bench_file);
  // The same on the caller's loop, which the caller runs; run() is not for it then.
  static Result<std::unique_ptr<BenchSession>> make(const std::filesystem::path& bench_file,
                                                    boost::asio::io_context& io);
  ~BenchSession();

  const bench::BenchFile& file() const { return file_; }
  Clock& clock() { return *clock_; }
  boost::asio::io_context& io() { return io_; }
  // Null on virtual time, where everything is computed in order.
  boost::asio::thread_pool* pool() { return virtual_ == nullptr ? &pool_ : nullptr; }
  // Null for benches of other kinds.
  mock::server::SimulatedBench* simulation() { return simulation_.get(); }
  const std::shared_ptr<link::Recording>& recording() const { return recording_; }

  // Records every exchange from open() on. Errors: as of link::Recorder.
  Result<void> record_to(const std::filesystem::path& file);
  const std::shared_ptr<link::Recorder>& recorder() const { return recorder_; }

  // Connects to every instrument, to look only: no output may be enabled.
  Awaitable<Result<bench::Bench*>> open();
  // The same once the guardian stands ready to switch off, which everything is then. `log`: a file
  // for what the guardian does, "" for none. `lost` is called when the guardian ends: then
  // everything must be switched off.
  Awaitable<Result<bench::Bench*>> open_guarded(std::filesystem::path log,
                                                std::function<void()> lost);
  // Before outputs are enabled, and when they are off again. Errors: the guardian's.
  Awaitable<Result<void>> arm();
  void rest();
  // Closes every connection and stops the simulated instruments; the bench of open() stays to be
  // looked at. Between arm() and rest() the guardian is left to switch off.
  void close();

  // Runs the loop until `work` is done; errors of `work` come back. SIGINT and SIGTERM call
  // `on_signal` with 1 the first time, 2 the second and so on.
  Result<int> run(std::function<Awaitable<Result<int>>()> work,
                  std::function<void(int count)> on_signal);

  // Prints every message to and from the instruments on standard error.
  void show_traffic() { show_traffic_ = true; }

 private:
  guardian::Order order(std::filesystem::path log) const;
  BenchSession(boost::asio::io_context* io, bench::BenchFile file);
  // The clock, and what the kind of bench needs.
  Result<void> start();
  bench::LinkMaker links();

  std::unique_ptr<boost::asio::io_context> own_io_;  // null on the caller's loop
  boost::asio::io_context& io_;
  std::unique_ptr<Clock> clock_;
  VirtualClock* virtual_ = nullptr;  // the clock, when it is one
  boost::asio::thread_pool pool_;
  bench::BenchFile file_;
  std::unique_ptr<mock::server::SimulatedBench> simulation_;
  std::shared_ptr<link::Recording> recording_;
  std::shared_ptr<link::Recorder> recorder_;
  std::unique_ptr<bench::Bench> bench_;
  std::unique_ptr<guardian::Guard> guard_;
  bool armed_ = false;
  bool show_traffic_ = false;
};

}  // namespace nightbench::cli
