// The real service in a process of its own, and raw sockets to it. Every wait is bounded.
#pragma once

#include <chrono>
#include <functional>
#include <memory>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "../nightbench/program.hpp"

namespace nightbench::testing {

inline const std::string kService = NIGHTBENCH_BINARY_DIR "/nightbenchd";

// A TCP connection to loopback. Closed at the end.
class Wire {
 public:
  explicit Wire(int port);
  ~Wire();
  Wire(Wire&& other) noexcept : end_(std::exchange(other.end_, -1)) {}
  Wire& operator=(Wire&&) = delete;
  bool open() const { return end_ >= 0; }
  bool send(const std::string& bytes);
  void finish();  // no more from us
  // Reads until `enough`, the other side closes, or the limit passes.
  std::string read(const std::function<bool(const std::string&)>& enough,
                   std::chrono::milliseconds limit = std::chrono::seconds(10));
  std::string read_all() {
    return read([](const std::string&) { return false; });
  }

 private:
  int end_ = -1;
};

struct Answer {
  int status = 0;
  std::string head, body;
  nlohmann::json json() const { return nlohmann::json::parse(body, nullptr, false); }
};
Answer parsed(const std::string& raw);

class Service {
 public:
  // `settings` over {"service": "test", "bench": the simulated one, "log": ...}.
  explicit Service(const ScratchFolder& folder, const nlohmann::json& settings = {},
                   const std::vector<std::string>& environment = {});
  int port() const { return port_; }
  Process& process() { return *process_; }
  std::string host() const { return "127.0.0.1:" + std::to_string(port_); }

  // One request on a connection of its own; `head` are further lines, each with CR LF.
  Answer ask(const std::string& method, const std::string& target, const std::string& body = "",
             const std::string& head = "");
  Answer get(const std::string& target) { return ask("GET", target); }
  nlohmann::json now() { return get("/v1/now").json(); }
  // Whatever is sent, and all that comes back until the other side closes.
  std::string raw(const std::string& bytes);
  // Adds an entry; its number.
  long long add(const std::string& board, const nlohmann::json& more = {});
  nlohmann::json entry(long long id);
  // Looks until it is so; false after the limit.
  bool until(const std::function<bool()>& so,
             std::chrono::seconds limit = std::chrono::seconds(20));
  // SIGTERM and the exit code.
  int stop();
  std::string log() const;
  // A value of /metrics, -1 when it is not there.
  double metric(const std::string& name);

 private:
  std::string folder_;
  std::unique_ptr<Process> process_;
  int port_ = 0;
};

}  // namespace nightbench::testing
