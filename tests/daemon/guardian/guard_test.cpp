// The guardian's program and its protocol over real sockets: an own simulated bench process, an own
// guardian process.
#include "daemon/guardian/guard.hpp"

#include <gmock/gmock.h>
#include <signal.h>
#include <unistd.h>

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/io_context.hpp>

#include "../nightbench/program.hpp"

namespace nightbench::testing {
namespace {

namespace asio = boost::asio;
using guardian::Guard;
using guardian::Order;
using std::chrono::seconds;
using ::testing::HasSubstr;

struct GuardTest : ::testing::Test {
  ScratchFolder folder;
  SimulatedBenchProcess bench{folder};
  asio::io_context io;
  RealClock clock{io};
  std::unique_ptr<Guard> guard;

  void TearDown() override {
    if (guard) guard->goodbye();
  }

  template <typename T>
  T run(Awaitable<T> work) {
    std::optional<T> out;
    asio::co_spawn(io, std::move(work), [&](const std::exception_ptr& thrown, T result) {
      if (thrown) std::rethrow_exception(thrown);
      out.emplace(std::move(result));
      io.stop();
    });
    io.restart();
    io.run_for(seconds(60));
    if (!out) throw std::runtime_error("it took too long");
    return *std::move(out);
  }

  Order order() {
    Order out;
    out.bench_file = bench.bench_file();
    out.dialects = kSource + "/drivers/dialects";
    out.log = folder / "guardian.log";
    out.patience = seconds(20);
    out.parent = getpid();
    return out;
  }

  Result<void> start(const Order& what) {
    auto started = run(Guard::start(clock, NIGHTBENCH_BINARY_DIR "/nightbench-guardian", what));
    if (!started) return fail(started.error());
    guard = *std::move(started);
    return {};
  }

  std::string ask(const char* instrument, const char* line) {
    return ask_socket(bench.port(instrument), line);
  }
  void switch_on() {
    EXPECT_EQ(ask("supply", ":OUTP ON;:OUTP?"), "1");
    EXPECT_EQ(ask("generator", ":OUTP ON;:OUTP?"), "1");
  }
  std::string log() { return read_text(folder / "guardian.log"); }
  // Looks until it is so, at most `most`.
  bool until(const std::function<bool()>& so, std::chrono::milliseconds most = seconds(10)) {
    const auto end = std::chrono::steady_clock::now() + most;
    while (!so()) {
      if (std::chrono::steady_clock::now() >= end) return false;
      io.restart();
      io.run_for(std::chrono::milliseconds(10));
    }
    return true;
  }
  bool all_off() { return ask("supply", ":OUTP?") == "0" && ask("generator", ":OUTP?") == "0"; }
};

TEST_F(GuardTest, WhatIsOnGoesOffBeforeItIsReady) {
  switch_on();
  const auto started = start(order());
  ASSERT_TRUE(started) << describe(started.error());
  EXPECT_TRUE(all_off());
  EXPECT_THAT(log(), HasSubstr("can switch off generator, clock, supply"));
}

TEST_F(GuardTest, AfterGoodbyeTheBenchIsLeftAlone) {
  ASSERT_TRUE(start(order()));
  ASSERT_TRUE(run(guard->arm()));
  switch_on();
  guard->rest();
  guard->goodbye();
  ASSERT_TRUE(until([&] { return log().find("said goodbye") != std::string::npos; }));
  EXPECT_FALSE(all_off());
}

TEST_F(GuardTest, LeavingWithoutGoodbyeSwitchesOff) {
  ASSERT_TRUE(start(order()));
  ASSERT_TRUE(run(guard->arm()));
  switch_on();
  guard.reset();
  EXPECT_TRUE(until([&] { return all_off(); }, seconds(2)));
  ASSERT_TRUE(until([&] { return log().find("supply is off") != std::string::npos; }));
  EXPECT_THAT(log(), HasSubstr("left without saying goodbye; switching off"));
  EXPECT_THAT(log(), HasSubstr("generator is off"));
}

TEST_F(GuardTest, ItDoesSoAtRestToo) {
  ASSERT_TRUE(start(order()));
  switch_on();
  guard.reset();
  EXPECT_TRUE(until([&] { return all_off(); }, seconds(2)));
}

TEST_F(GuardTest, SignalsToItDoNotEndIt) {
  ASSERT_TRUE(start(order()));
  for (const int each : {SIGINT, SIGTERM, SIGHUP, SIGPIPE}) kill(guard->pid(), each);
  ASSERT_TRUE(run(guard->arm()));
  EXPECT_FALSE(guard->is_lost());
}

TEST_F(GuardTest, ItsOwnEndIsNoticed) {
  ASSERT_TRUE(start(order()));
  bool lost = false;
  guard->on_lost([&lost] { lost = true; });
  ASSERT_TRUE(run(guard->arm()));
  kill(guard->pid(), SIGKILL);
  EXPECT_TRUE(until([&] { return lost; }));
  const auto armed = run(guard->arm());
  ASSERT_FALSE(armed);
  EXPECT_EQ(armed.error().kind, ErrorKind::refused);
}

TEST_F(GuardTest, AnOutputOutOfReachIsSaidAtOnce) {
  bench.process().signal(SIGKILL);
  bench.process().wait(seconds(10));
  const auto started = start(order());
  ASSERT_FALSE(started);
  EXPECT_EQ(started.error().kind, ErrorKind::refused);
  EXPECT_FALSE(started.error().instrument.empty());
  EXPECT_THAT(started.error().message, HasSubstr("no output is enabled"));
}

TEST_F(GuardTest, AProgramThatCannotBeStartedIsSaid) {
  const auto started = run(Guard::start(clock, "/nowhere/nightbench-guardian", order()));
  ASSERT_FALSE(started);
  EXPECT_THAT(describe(started.error()),
              HasSubstr("/nowhere/nightbench-guardian: the guardian cannot be started, so no output "
                        "is enabled: No such file or directory"));
  const auto wrong = run(Guard::start(clock, "/bin/true", order()));
  ASSERT_FALSE(wrong);
  EXPECT_THAT(wrong.error().message, HasSubstr("the guardian has ended"));
}

TEST(GuardianProgram, ByHandItSaysWhatItIs) {
  Process program(NIGHTBENCH_BINARY_DIR "/nightbench-guardian", {"now"});
  EXPECT_EQ(program.wait(seconds(10)), 2);
  EXPECT_THAT(program.err(), HasSubstr("not by hand"));
}

}  // namespace
}  // namespace nightbench::testing
