// What the program says and does when a file is wrong or an instrument is not what it should be.
#include <arpa/inet.h>
#include <gtest/gtest.h>
#include <sys/socket.h>
#include <unistd.h>

#include <chrono>
#include <functional>
#include <nlohmann/json.hpp>

#include "program.hpp"

namespace nightbench::testing {
namespace {

using Json = nlohmann::json;
using std::chrono::seconds;

Json simulated_bench() { return Json::parse(read_text(kSimulatedBench), nullptr, true, true); }

// The bench file copied with an absolute path to its simulation.
std::string bench_copy(const ScratchFolder& folder, const std::function<void(Json&)>& change) {
  Json bench = simulated_bench();
  bench["simulation"] = kSource + "/mock_instruments/benches/heron-30.json";
  change(bench);
  const std::string file = folder / "bench.json";
  write_text(file, bench.dump(1));
  return file;
}

struct Said {
  int code;
  std::string err;
};

Said run(const std::vector<std::string>& arguments) {
  Process program(kProgram, arguments);
  const int code = program.wait(seconds(60));
  return {code, program.err()};
}

TEST(BadInput, AWrongScriptIsOneErrorWithFileAndPointer) {
  const ScratchFolder folder;
  write_text(folder / "script.json",
             R"({"script": "x", "steps": [{"step": "power", "output": "maybe"}]})");
  const Said said = run({"run", folder / "script.json", "--bench", kSimulatedBench, "--board", "B",
                         "--board-type", "heron-30", "--out", folder.path()});
  EXPECT_EQ(said.code, 2);
  EXPECT_EQ(said.err, "nightbench: " + (folder / "script.json") +
                          ": at /steps/0/output: expected \"on\" or \"off\", found \"maybe\"\n");
}

TEST(BadInput, AMistypedMemberIsNamedWithTheNearestOne) {
  const ScratchFolder folder;
  const std::string file = bench_copy(folder, [](Json& bench) { bench["instrumnets"] = 1; });
  const Said said = run({"check", "response", "--bench", file});
  EXPECT_EQ(said.code, 2);
  EXPECT_NE(said.err.find("did you mean \"instruments\"?"), std::string::npos) << said.err;
}

TEST(BadInput, AMistypedScriptNameIsSuggested) {
  const Said said = run({"check", "respones", "--bench", kSimulatedBench});
  EXPECT_EQ(said.code, 2);
  EXPECT_NE(said.err.find("did you mean \"response\"?"), std::string::npos) << said.err;
}

TEST(BadInput, ALevelAboveTheBoardsLimitIsRefusedBeforeAnythingIsOpened) {
  const ScratchFolder folder;
  const Said said = run({"run", "response", "--bench", kSimulatedBench, "--board", "H30-001", "--set",
                         "level=0 dBm", "--out", folder.path()});
  EXPECT_EQ(said.code, 2);
  EXPECT_NE(said.err.find("a level of 0 dBm is above the -10 dBm the board type allows"),
            std::string::npos)
      << said.err;
}

// The bench file of running simulated instruments, with the scope moved to another port.
std::string with_scope_at(const SimulatedBenchProcess& bench, const ScratchFolder& folder, int port) {
  Json file = Json::parse(read_text(bench.bench_file()));
  file["instruments"]["scope"]["resource"] =
      "TCPIP::127.0.0.1::" + std::to_string(port) + "::SOCKET";
  file["instruments"]["scope"]["timeout"] = "300 ms";
  const std::string name = folder / "moved.json";
  write_text(name, file.dump(1));
  return name;
}

TEST(BadInput, NoInstrumentAtTheAddress) {
  const ScratchFolder folder;
  const SimulatedBenchProcess bench(folder);
  const Said said = run({"run", "response", "--bench", with_scope_at(bench, folder, 1), "--board",
                         "H30-001", "--out", folder.path(), "--quiet"});
  EXPECT_EQ(said.code, 3);
  EXPECT_NE(said.err.find("scope: "), std::string::npos) << said.err;
  EXPECT_NE(said.err.find("127.0.0.1"), std::string::npos) << said.err;
}

// A scope that connects and then never says a word.
class SilentServer {
 public:
  SilentServer() : socket_(socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0)) {
    sockaddr_in address{};
    address.sin_family = AF_INET;
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    bind(socket_, reinterpret_cast<sockaddr*>(&address), sizeof address);
    listen(socket_, 4);
    socklen_t size = sizeof address;
    getsockname(socket_, reinterpret_cast<sockaddr*>(&address), &size);
    port_ = ntohs(address.sin_port);
  }
  ~SilentServer() { close(socket_); }
  int port() const { return port_; }

 private:
  int socket_;
  int port_ = 0;
};

TEST(BadInput, AnInstrumentThatHangsEndsInANamedTimeout) {
  const SilentServer server;
  const ScratchFolder folder;
  const SimulatedBenchProcess bench(folder);
  const Said said =
      run({"run", "response", "--bench", with_scope_at(bench, folder, server.port()), "--board",
           "H30-001", "--out", folder.path(), "--quiet"});
  EXPECT_EQ(said.code, 3);
  EXPECT_NE(said.err.find("scope: '"), std::string::npos) << said.err;
}

TEST(BadInput, AnUnknownOptionIsAUsageError) {
  EXPECT_EQ(run({"run", "--no-such-thing"}).code, 2);
  EXPECT_EQ(run({}).code, 2);
}

}  // namespace
}  // namespace nightbench::testing
