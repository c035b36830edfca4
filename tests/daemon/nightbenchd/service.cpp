#include "service.hpp"

#include <arpa/inet.h>
#include <poll.h>
#include <signal.h>
#include <sys/socket.h>
#include <unistd.h>

namespace nightbench::testing {

using Json = nlohmann::json;
using Steady = std::chrono::steady_clock;

Wire::Wire(int port) {
  end_ = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
  sockaddr_in address{};
  address.sin_family = AF_INET;
  address.sin_port = htons(static_cast<std::uint16_t>(port));
  address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
  if (end_ >= 0 && connect(end_, reinterpret_cast<sockaddr*>(&address), sizeof address) != 0) {
    close(end_);
    end_ = -1;
  }
}

Wire::~Wire() {
  if (end_ >= 0) close(end_);
}

bool Wire::send(const std::string& bytes) {
  std::size_t sent = 0;
  while (sent < bytes.size()) {
    const ssize_t now = ::send(end_, bytes.data() + sent, bytes.size() - sent, MSG_NOSIGNAL);
    if (now <= 0) return false;
    sent += static_cast<std::size_t>(now);
  }
  return true;
}

void Wire::finish() {
  shutdown(end_, SHUT_WR);
}

std::string Wire::read(const std::function<bool(const std::string&)>& enough,
                       std::chrono::milliseconds limit) {
  std::string out;
  const auto end = Steady::now() + limit;
  while (!enough(out)) {
    const auto left = std::chrono::duration_cast<std::chrono::milliseconds>(end - Steady::now());
    pollfd what{end_, POLLIN, 0};
    if (left.count() <= 0 || poll(&what, 1, static_cast<int>(left.count())) <= 0) break;
    char piece[65536];
    const ssize_t got = recv(end_, piece, sizeof piece, 0);
    if (got <= 0) break;
    out.append(piece, static_cast<std::size_t>(got));
  }
  return out;
}

Answer parsed(const std::string& raw) {
  Answer answer;
  const std::size_t end = raw.find("\r\n\r\n");
  if (raw.starts_with("HTTP/1.1 ") && end != std::string::npos) {
    answer.status = std::stoi(raw.substr(9, 3));
    answer.head = raw.substr(0, end + 2);
    answer.body = raw.substr(end + 4);
  }
  return answer;
}

Service::Service(const ScratchFolder& folder, const Json& settings,
                 const std::vector<std::string>& environment)
    : folder_(folder.path()) {
  Json config{{"service", "test"},
              {"bench", kSimulatedBench},
              {"listen", {"127.0.0.1:0"}},
              {"state", "state"}};
  if (settings.is_object()) config.update(settings);
  const std::string file = folder / "nightbenchd.json";
  write_text(file, config.dump(2));
  process_ =
      std::make_unique<Process>(kService, std::vector<std::string>{"--config", file}, environment);
  process_->read_until(
      [](const Process& p) {
        const std::size_t at = p.out().find("http://");
        return at != std::string::npos && p.out().find('\n', at) != std::string::npos;
      },
      std::chrono::seconds(20));
  const std::size_t colon = process_->out().find(':', process_->out().find("http://") + 5);
  if (colon != std::string::npos) port_ = std::atoi(process_->out().c_str() + colon + 1);
}

std::string Service::raw(const std::string& bytes) {
  Wire wire(port_);
  wire.send(bytes);
  wire.finish();
  return wire.read_all();
}

Answer Service::ask(const std::string& method, const std::string& target, const std::string& body,
                    const std::string& head) {
  std::string text = method + " " + target + " HTTP/1.1\r\nHost: " + host() + "\r\n";
  if (!body.empty()) text += "Content-Type: application/json\r\n";
  if (method != "GET") text += "Content-Length: " + std::to_string(body.size()) + "\r\n";
  text += "Connection: close\r\n" + head + "\r\n" + body;
  return parsed(raw(text));
}

long long Service::add(const std::string& board, const Json& more) {
  Json body{{"board", board}, {"script", "response"}, {"parameters", {{"points", 3}}}};
  if (more.is_object()) body.update(more);
  const Answer answer = ask("POST", "/v1/queue", body.dump());
  const Json entry = answer.json();
  return answer.status == 201 ? entry["id"].get<long long>() : -1;
}

Json Service::entry(long long id) {
  return get("/v1/queue/" + std::to_string(id)).json();
}

bool Service::until(const std::function<bool()>& so, std::chrono::seconds limit) {
  const auto end = Steady::now() + limit;
  while (!so()) {
    if (Steady::now() >= end) return false;
    poll(nullptr, 0, 10);
  }
  return true;
}

int Service::stop() {
  process_->signal(SIGTERM);
  return process_->wait(std::chrono::seconds(20));
}

std::string Service::log() const {
  return read_text(folder_ + "/state/nightbenchd.log");
}

double Service::metric(const std::string& name) {
  const std::string text = get("/metrics").body;
  const std::size_t at = text.find("\n" + name + " ");
  return at == std::string::npos ? -1 : std::stod(text.substr(at + name.size() + 2));
}

}  // namespace nightbench::testing
