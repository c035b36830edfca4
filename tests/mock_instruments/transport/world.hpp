// Real time, an EchoDevice, and short ways to talk to it over a link.
#pragma once

#include <gtest/gtest.h>

#include <boost/asio/io_context.hpp>
#include <filesystem>
#include <memory>
#include <string>

#include "../../drivers/support/run.hpp"
#include "drivers/link/link.hpp"
#include "echo_device.hpp"

namespace nightbench::test {

// Reads to the transport's END, asking for `most` bytes at a time.
inline Awaitable<Result<std::string>> read_message(link::Link& link, std::size_t most,
                                                   TimePoint deadline) {
  std::string bytes;
  for (;;) {
    Result<link::Chunk> chunk = co_await link.read(most, deadline);
    if (!chunk) co_return fail(std::move(chunk).error());
    bytes += chunk->bytes;
    if (chunk->end) co_return bytes;
  }
}

class TransportTest : public testing::Test {
 protected:
  static constexpr Duration plenty = std::chrono::seconds(20);
  static constexpr Duration little = std::chrono::milliseconds(30);

  template <typename T>
  T run(Awaitable<T> task) {
    return nightbench::test::run(clock_, std::move(task));
  }
  TimePoint later() { return clock_.now() + plenty; }
  TimePoint soon() { return clock_.now() + little; }

  void connect(link::Link& link) {
    const Result<void> connected = run(link.connect(later()));
    ASSERT_TRUE(connected) << describe(connected.error());
  }
  void write(link::Link& link, std::string_view message) {
    const Result<void> written = run(link.write(message, later()));
    ASSERT_TRUE(written) << describe(written.error());
  }
  // The whole answer, or the error in words.
  std::string read(link::Link& link, std::size_t most = 4096) {
    const Result<std::string> bytes = run(read_message(link, most, later()));
    return bytes ? *bytes : "error: " + describe(bytes.error());
  }
  std::string ask(link::Link& link, std::string_view query, std::size_t most = 4096) {
    const Result<void> written = run(link.write(query, later()));
    if (!written) return "error: " + describe(written.error());
    return read(link, most);
  }
  ErrorKind kind_of_read(link::Link& link, TimePoint deadline) {
    const Result<link::Chunk> chunk = run(link.read(100, deadline));
    EXPECT_FALSE(chunk) << "read '" << chunk->bytes << "'";
    return chunk ? ErrorKind::internal : chunk.error().kind;
  }
  // Runs handlers until `done`.
  template <typename Done>
  void wait_for(Done done) {
    const auto loop = [](Clock& clock, Done condition) -> Awaitable<bool> {
      while (!condition()) co_await sleep_for(clock, std::chrono::milliseconds(1));
      co_return true;
    };
    run(loop(clock_, done));
  }

  static std::size_t descriptors() {
    const std::filesystem::directory_iterator all("/proc/self/fd");
    return static_cast<std::size_t>(std::distance(begin(all), end(all)));
  }

  boost::asio::io_context context_;
  RealClock clock_{context_};
  std::shared_ptr<EchoDevice> device_ = std::make_shared<EchoDevice>(clock_);
};

}  // namespace nightbench::test
