// A simulated bench on virtual time in memory, or on loopback sockets, with blocking questions.
#pragma once

#include <gtest/gtest.h>

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <map>
#include <memory>
#include <optional>
#include <string>

#include "drivers/base/clock.hpp"
#include "drivers/link/stream.hpp"
#include "mock_instruments/server/simulated_bench.hpp"
#include "tests/support/places.hpp"

namespace nightbench::mock::server {

inline const std::string kBenches =
    std::string(NIGHTBENCH_SOURCE_DIR) + "/mock_instruments/benches/";

// One bench with connections to its instruments; questions run the io_context until answered.
class Harness {
 public:
  explicit Harness(Transport transport = Transport::memory) : transport_(transport) {
    if (transport == Transport::tcp)
      clock_ = std::make_unique<RealClock>(context);
    else
      clock_ = std::make_unique<VirtualClock>(context);
  }
  ~Harness() {
    streams.clear();
    bench.reset();
    settle();
  }

  void start(const std::string& file) { take(SimulatedBench::start(file, *clock_, transport_)); }
  void start_text(const std::string& text) {
    take(SimulatedBench::start_text(text, "bench.json", kBenches, *clock_, transport_));
  }
  bool started() const { return bench != nullptr; }

  Clock& clock() { return *clock_; }
  double now() const { return seconds(clock_->now().time_since_epoch()); }

  // Runs until `done`; false when that can never be (virtual) or takes too long (real).
  bool run(const std::function<bool()>& done) {
    if (auto* virtual_clock = dynamic_cast<VirtualClock*>(clock_.get())) {
      return virtual_clock->run(done);
    }
    const TimePoint end = clock_->now() + std::chrono::seconds(20);
    context.restart();
    while (!done() && clock_->now() < end) context.run_one_for(std::chrono::milliseconds(100));
    return done();
  }
  void settle() {
    context.restart();
    while (context.poll() != 0) context.restart();
  }

  // A connection of one's own to an instrument.
  std::unique_ptr<link::Stream> connect(const std::string& name) {
    if (transport_ == Transport::memory) {
      auto made = bench->memory_stream(name);
      return made ? *std::move(made) : nullptr;
    }
    for (const auto& [instrument, resource] : bench->resources()) {
      if (instrument != name) continue;
      const std::size_t end = resource.rfind("::");
      const std::size_t begin = resource.rfind("::", end - 1) + 2;
      const auto port = static_cast<std::uint16_t>(std::stoi(resource.substr(begin, end - begin)));
      boost::asio::ip::tcp::socket socket(context);
      boost::system::error_code failed;
      socket.connect({boost::asio::ip::address_v4::loopback(), port}, failed);
      EXPECT_FALSE(failed) << failed.message();
      return link::tcp_stream(std::move(socket), *clock_);
    }
    return nullptr;
  }

  // Sends raw bytes and reads until `count` bytes or, with 0, the first NL. Errors as Stream's.
  Result<std::string> exchange(link::Stream& stream, const std::string& bytes, std::size_t count,
                               Duration patience = std::chrono::seconds(60)) {
    std::optional<Result<std::string>> outcome;
    boost::asio::co_spawn(context, talk(stream, bytes, count, clock_->now() + patience, outcome),
                          boost::asio::detached);
    run([&] { return outcome.has_value(); });
    if (!outcome) {  // the talk must end before `outcome` goes
      stream.close();
      settle();
      return fail(ErrorKind::internal, "nothing is left to do, and no answer came");
    }
    return *std::move(outcome);
  }

  // Says something to an instrument over a connection that stays open.
  void tell(const std::string& name, const std::string& message) {
    static_cast<void>(ask(name, message + ";*OPC?"));
  }
  std::string ask(const std::string& name, const std::string& message) {
    auto answer = exchange(stream(name), message + '\n', 0);
    if (!answer) return "(" + describe(answer.error()) + ")";
    answer->pop_back();
    return *std::move(answer);
  }
  double number(const std::string& name, const std::string& message) {
    return std::strtod(ask(name, message).c_str(), nullptr);
  }
  // The payload of a definite block with `digits` digits of count.
  std::string block(const std::string& name, const std::string& message, std::size_t bytes) {
    const std::size_t head = 2 + 8;
    auto answer = exchange(stream(name), message + '\n', head + bytes + 1);
    if (!answer) return "(" + describe(answer.error()) + ")";
    return answer->substr(head, bytes);
  }
  std::string error(const std::string& name) { return ask(name, ":SYST:ERR?"); }

  boost::asio::io_context context;
  std::unique_ptr<SimulatedBench> bench;
  std::map<std::string, std::unique_ptr<link::Stream>> streams;

 private:
  void take(Result<std::unique_ptr<SimulatedBench>> made) {
    ASSERT_TRUE(made) << describe(made.error());
    bench = *std::move(made);
  }
  link::Stream& stream(const std::string& name) {
    auto& found = streams[name];
    if (!found) found = connect(name);
    return *found;
  }
  static Awaitable<void> talk(link::Stream& stream, std::string bytes, std::size_t count,
                              TimePoint deadline, std::optional<Result<std::string>>& outcome) {
    const Result<void> sent = co_await stream.write_all(bytes, deadline);
    if (!sent) {
      outcome = fail(sent.error());
      co_return;
    }
    std::string all;
    while (count == 0 ? !all.ends_with('\n') : all.size() < count) {
      Result<std::string> some = co_await stream.read_some(65536, deadline);
      if (!some) {
        outcome = std::move(some);
        co_return;
      }
      all += *some;
    }
    outcome = Result<std::string>(std::move(all));
  }

  Transport transport_;
  std::unique_ptr<Clock> clock_;
};

}  // namespace nightbench::mock::server
