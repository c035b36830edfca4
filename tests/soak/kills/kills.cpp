#include "tests/soak/kills/kills.hpp"

#include <poll.h>
#include <signal.h>

#include <algorithm>
#include <chrono>
#include <memory>
#include <random>
#include <sstream>
#include <stdexcept>

#include "../../daemon/nightbenchd/service.hpp"

namespace nightbench::testing {
namespace {

using Json = nlohmann::json;
using Steady = std::chrono::steady_clock;
using std::chrono::milliseconds;

constexpr double kOffWithin_s = 2;
constexpr int kLongest_ms = 3500;  // from a start to its kill: opening, resuming and measuring
constexpr int kPointsOfABand = 12;

double since(Steady::time_point when) {
  return std::chrono::duration<double>(Steady::now() - when).count();
}

std::size_t count(const std::string& text, const std::string& words) {
  std::size_t out = 0;
  for (std::size_t at = 0; (at = text.find(words, at)) != std::string::npos; ++at) ++out;
  return out;
}

class Soak {
 public:
  Soak(std::uint64_t seed, const std::function<void(const std::string&)>& say)
      : bench_(folder_, kSource + "/mock_instruments/benches/heron-30-typical.json"),
        random_(seed),
        say_(say) {
    if (bench_.port("supply") == 0) throw std::runtime_error(bench_.process().err());
  }

  Kills work(int kills) {
    for (int n = 1; n <= kills; ++n) {
      start();
      keep_busy();
      kill_it(n);
    }
    start();
    if (!until_over()) find("the last board was not measured to its end in time");
    if (service_->stop() != 0) find("the service did not end well");
    const std::string log = service_->log();
    out_.kills = kills;
    out_.carried_on = static_cast<int>(count(log, "carrying on with run"));
    out_.begun_anew = static_cast<int>(count(log, "is not carried on with"));
    for (std::istringstream lines(log); !lines.eof();) {
      std::string line;
      std::getline(lines, line);
      if (line.find("is not carried on with") != std::string::npos) say_(line);
    }
    return std::move(out_);
  }

 private:
  void find(const std::string& what) { out_.findings.push_back(what); }

  void start() {
    service_ = std::make_unique<Service>(folder_, Json{{"bench", bench_.bench_file()}});
    if (service_->port() == 0) throw std::runtime_error(service_->process().err());
    if (!run_.empty()) look_at(run_, known_);
  }

  // What a kill left of a run: every point that was told is there, each once and in order.
  void look_at(const std::string& run, std::size_t at_least) {
    const Json points = service_->get("/v1/runs/" + run + "/points").json()["points"];
    if (points.size() < at_least) {
      find("run " + run + " had " + std::to_string(at_least) + " points before the kill and " +
           std::to_string(points.size()) + " after it");
    }
    for (std::size_t n = 0; n < points.size(); ++n) {
      if (points[n]["ordinal"] != n) find("run " + run + " lacks point " + std::to_string(n));
    }
  }

  // Whether the entry under way has come to its end; then it is looked at.
  bool over() {
    if (entry_ == 0) return true;
    const Json entry = service_->entry(entry_);
    if (entry["state"] == "waiting" || entry["state"] == "running") return false;
    const std::string run = entry["run"];
    const Json header = service_->get("/v1/runs/" + run).json();
    if (entry["state"] != "done" || header["outcome"] != "complete" ||
        header["points"] != header["planned_points"]) {
      find("entry " + std::to_string(entry_) + ": " + entry.dump());
    }
    look_at(run, header["planned_points"]);
    ++out_.boards;
    out_.points += header["points"].get<long long>();
    entry_ = 0;
    run_.clear();
    return true;
  }

  bool until_over() {
    return service_->until([this] { return over(); }, std::chrono::seconds(60));
  }

  void keep_busy() {
    if (!over()) return;
    const char* board = out_.boards % 2 == 0 ? "H30-001" : "H30-002";
    entry_ = service_->add(board, {{"in_place", true}, {"parameters", {{"points", kPointsOfABand}}}});
    if (entry_ < 0) throw std::runtime_error("the service takes no entry");
  }

  void kill_it(int number) {
    const int wait_ms = std::uniform_int_distribution<int>(0, kLongest_ms)(random_);
    const auto when = Steady::now() + milliseconds(wait_ms);
    known_ = 0;
    run_.clear();
    // The last that is known before the kill; more may be there.
    do {
      const Json now = service_->now();
      if (now.contains("run") && now["run"].is_object()) {
        run_ = now["run"]["run"];
        known_ = now["run"]["progress"].is_object() ? now["run"]["progress"]["done"].get<int>() : 0;
      }
      poll(nullptr, 0, 5);
    } while (Steady::now() < when);
    service_->process().signal(SIGKILL);
    const auto killed = Steady::now();
    if (!run_.empty()) ++out_.in_a_run;
    bool off = false;
    while (!(off = all_off()) && since(killed) < kOffWithin_s) poll(nullptr, 0, 5);
    const double took_s = since(killed);
    out_.slowest_off_s = std::max(out_.slowest_off_s, took_s);
    if (!off) find("kill " + std::to_string(number) + ": not off after " + std::to_string(took_s) + " s");
    service_->process().wait(std::chrono::seconds(20));
    char line[160];
    std::snprintf(line, sizeof line, "kill %d, %d ms after the start, run %s, %zu points: off after %.0f ms",
                  number, wait_ms, run_.empty() ? "-" : run_.c_str(), known_, 1e3 * took_s);
    say_(line);
  }

  bool all_off() {
    return ask_socket(bench_.port("supply"), ":OUTP?") == "0" &&
           ask_socket(bench_.port("generator"), ":OUTP?") == "0" &&
           ask_socket(bench_.port("clock"), ":OUTP1?") == "0";
  }

  ScratchFolder folder_;
  SimulatedBenchProcess bench_;
  std::mt19937_64 random_;
  const std::function<void(const std::string&)>& say_;
  std::unique_ptr<Service> service_;
  long long entry_ = 0;
  std::string run_;        // under way at the last kill
  std::size_t known_ = 0;  // points that it was known to have
  Kills out_;
};

}  // namespace

Kills kill_at_random(int kills, std::uint64_t seed,
                     const std::function<void(const std::string&)>& say) {
  Soak soak(seed, say);
  return soak.work(kills);
}

}  // namespace nightbench::testing
