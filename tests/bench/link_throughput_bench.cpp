// How fast a block of 10 MB comes over each network link on loopback, beside a plain copy between
// two sockets in the same run, and how much memory the client needs for it.
//
// Goals: raw TCP 0.8, HiSLIP 0.7, VXI-11 0.5 of the plain copy; memory at
// most twice the block. The servers run in a process of their own; what is measured is this one.
#include <benchmark/benchmark.h>
#include <malloc.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <csignal>
#include <cstdio>
#include <fstream>
#include <map>
#include <memory>
#include <optional>
#include <string>
#include <thread>

#include "drivers/link/open.hpp"
#include "mock_instruments/transport/device.hpp"
#include "mock_instruments/transport/hislip_server.hpp"
#include "mock_instruments/transport/listener.hpp"
#include "mock_instruments/transport/vxi11_server.hpp"

namespace {
using namespace nightbench;
namespace asio = boost::asio;
using asio::ip::tcp;

constexpr std::size_t block_bytes = 10'000'000;
const std::string block_head = "#810000000";
constexpr std::size_t response_bytes = block_bytes + 10 + 1;  // head, data, NL
constexpr std::size_t most_at_once = std::size_t{1} << 20;

// Answers everything with the block.
class BlockDevice final : public mock::transport::Device {
 public:
  Awaitable<std::optional<std::string>> take(std::string) override {
    std::string out;
    out.reserve(response_bytes);  // with room for the NL
    // What the bytes are does not matter, and making them is not what is measured.
    out.resize_and_overwrite(response_bytes - 1, [](char* to, std::size_t) {
      std::copy(block_head.begin(), block_head.end(), to);
      return response_bytes - 1;
    });
    co_return out;
  }
  void device_clear() override {}
  std::uint8_t status_byte(bool available) override { return available ? 0x10 : 0; }
};

struct Ports {
  std::uint16_t plain = 0, raw = 0, hislip = 0, vxi11 = 0;
};

// Answers each byte that comes with the whole response, with plain system calls.
void serve_plain(tcp::acceptor& acceptor) {
  const std::string response = block_head + std::string(block_bytes, 'x') + "\n";
  for (;;) {
    tcp::socket socket = acceptor.accept();
    std::array<char, 1> request{};
    while (::recv(socket.native_handle(), request.data(), 1, 0) == 1) {
      std::size_t sent = 0;
      while (sent < response.size()) {
        const ssize_t count = ::send(socket.native_handle(), response.data() + sent,
                                     response.size() - sent, MSG_NOSIGNAL);
        if (count <= 0) break;
        sent += static_cast<std::size_t>(count);
      }
    }
  }
}

Awaitable<void> serve_raw(std::shared_ptr<link::Stream> stream) {
  const std::string response = block_head + std::string(block_bytes, 'x') + "\n";
  for (;;) {
    const Result<std::string> line = co_await stream->read_some(4096, TimePoint::max());
    if (!line) co_return;
    const Result<void> sent = co_await stream->write_all(response, TimePoint::max());
    if (!sent) co_return;
  }
}

// The servers' process: writes its ports to `out` and runs until it is killed.
[[noreturn]] void run_servers(int out) {
  // A server that answers the same again and again needs no fresh pages from the system each time.
  ::mallopt(M_MMAP_THRESHOLD, 1 << 27);
  ::mallopt(M_TRIM_THRESHOLD, 1 << 28);
  asio::io_context context;
  RealClock clock(context);
  const auto device = std::make_shared<BlockDevice>();
  const auto hislip = *mock::transport::HislipServer::start(device, clock);
  const auto vxi11 = *mock::transport::Vxi11Server::start(device, clock);
  const auto raw = *mock::transport::Listener::open(
      clock, "127.0.0.1", 0, [&](std::unique_ptr<link::Stream> stream) {
        asio::co_spawn(context, serve_raw(std::move(stream)), asio::detached);
      });
  asio::io_context plain_context;
  tcp::acceptor plain(plain_context, tcp::endpoint(asio::ip::address_v4::loopback(), 0));
  std::thread blocking([&] { serve_plain(plain); });
  Ports ports;
  ports.plain = plain.local_endpoint().port();
  ports.raw = raw->port();
  ports.hislip = hislip->port();
  ports.vxi11 = vxi11->core_port();
  if (::write(out, &ports, sizeof ports) != sizeof ports) std::_Exit(1);
  context.run();
  std::_Exit(0);
}

Ports ports;
std::map<std::string, double> best_rate;    // bytes per second
std::map<std::string, double> most_memory;  // bytes beyond what there was before

// Resident memory, and its peak since the last reset (proc(5), clear_refs).
double status_bytes(const std::string& key) {
  std::ifstream status("/proc/self/status");
  for (std::string line; std::getline(status, line);) {
    if (line.starts_with(key)) return 1024.0 * std::stod(line.substr(key.size() + 1));
  }
  return 0.0;
}
void reset_peak() {
  std::ofstream("/proc/self/clear_refs") << "5";
}

template <typename Once>
void measure(benchmark::State& state, const std::string& name, Once once) {
  ::malloc_trim(0);
  reset_peak();
  const double before = status_bytes("VmRSS:");
  once();  // warm: sockets' buffers grow
  for (auto _ : state) {
    const auto start = std::chrono::steady_clock::now();
    if (!once()) {
      state.SkipWithError("the block did not come whole");
      return;
    }
    const std::chrono::duration<double> taken = std::chrono::steady_clock::now() - start;
    state.SetIterationTime(taken.count());
    best_rate[name] = std::max(best_rate[name], response_bytes / taken.count());
  }
  most_memory[name] = status_bytes("VmHWM:") - before;
  state.SetBytesProcessed(static_cast<std::int64_t>(state.iterations() * response_bytes));
}

void plain_copy(benchmark::State& state) {
  asio::io_context context;
  tcp::socket socket(context);
  socket.connect(tcp::endpoint(asio::ip::address_v4::loopback(), ports.plain));
  socket.set_option(tcp::no_delay(true));
  std::string response(response_bytes, '\0');
  measure(state, "plain copy", [&] {
    if (::send(socket.native_handle(), "?", 1, MSG_NOSIGNAL) != 1) return false;
    std::size_t got = 0;
    while (got < response.size()) {
      const ssize_t count =
          ::recv(socket.native_handle(), response.data() + got, response.size() - got, 0);
      if (count <= 0) return false;
      got += static_cast<std::size_t>(count);
    }
    benchmark::DoNotOptimize(response.data());
    return response.back() == '\n';
  });
}

Awaitable<bool> ask(link::Link& link, std::string& response) {
  const TimePoint deadline = TimePoint::max();
  const Result<void> written = co_await link.write("BLOCK?", deadline);
  if (!written) co_return false;
  response.clear();
  response.reserve(response_bytes);
  while (response.size() < response_bytes) {
    const std::size_t most = std::min(most_at_once, response_bytes - response.size());
    const Result<link::Chunk> chunk = co_await link.read(most, deadline);
    if (!chunk) co_return false;
    response += chunk->bytes;
  }
  benchmark::DoNotOptimize(response.data());
  co_return response.back() == '\n';
}

void over_link(benchmark::State& state, const std::string& name, const std::string& resource) {
  asio::io_context context;
  RealClock clock(context);
  const std::unique_ptr<link::Link> link = *link::open(resource, clock);
  const auto run = [&](Awaitable<bool> task) {
    bool good = false;
    asio::co_spawn(context, std::move(task), [&](std::exception_ptr, bool value) {
      good = value;
      context.stop();
    });
    context.restart();
    context.run();
    return good;
  };
  const auto connect = [](link::Link& it, Clock& time) -> Awaitable<bool> {
    const Result<void> connected = co_await it.connect(time.now() + std::chrono::seconds(10));
    co_return connected.has_value();
  };
  if (!run(connect(*link, clock))) {
    state.SkipWithError("no connection");
    return;
  }
  std::string response;
  measure(state, name, [&] { return run(ask(*link, response)); });
}

// Prints the ratios; false when a goal is missed.
bool report() {
  const std::map<std::string, double> goals = {{"raw TCP", 0.8}, {"HiSLIP", 0.7}, {"VXI-11", 0.5}};
  const double plain = best_rate["plain copy"];
  bool good = plain > 0.0;
  std::printf("\n%-10s %9s %8s %6s %14s\n", "link", "MB/s", "of plain", "goal", "memory/block");
  for (const auto& [name, rate] : best_rate) {
    const auto goal = goals.find(name);
    const double ratio = rate / plain;
    const double memory = most_memory[name] / static_cast<double>(block_bytes);
    std::printf("%-10s %9.0f %8.2f %6s %14.2f\n", name.c_str(), rate / 1e6, ratio,
                goal == goals.end() ? "" : std::to_string(goal->second).substr(0, 3).c_str(),
                memory);
    if (goal != goals.end()) good = good && ratio >= goal->second && memory <= 2.0;
  }
  std::printf("%s\n", good ? "all goals met" : "A GOAL IS MISSED");
  return good;
}

}  // namespace

int main(int count, char** arguments) {
  int pipe_ends[2];
  if (::pipe(pipe_ends) != 0) return 1;
  const pid_t servers = ::fork();
  if (servers == 0) run_servers(pipe_ends[1]);
  if (::read(pipe_ends[0], &ports, sizeof ports) != sizeof ports) return 1;
  const std::string host = "TCPIP::127.0.0.1";
  const std::map<std::string, std::string> resources = {
      {"raw TCP", host + "::" + std::to_string(ports.raw) + "::SOCKET"},
      {"HiSLIP", host + "::hislip0," + std::to_string(ports.hislip)},
      {"VXI-11", host + "," + std::to_string(ports.vxi11) + "::inst0"}};
  benchmark::RegisterBenchmark("plain copy", plain_copy)->UseManualTime();
  for (const auto& [name, resource] : resources) {
    benchmark::RegisterBenchmark(name.c_str(), [name = name, resource = resource](auto& state) {
      over_link(state, name, resource);
    })->UseManualTime();
  }
  benchmark::Initialize(&count, arguments);
  benchmark::RunSpecifiedBenchmarks();
  const bool good = report();
  ::kill(servers, SIGTERM);
  ::waitpid(servers, nullptr, 0);
  return good ? 0 : 1;
}
