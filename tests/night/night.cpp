#include "tests/night/night.hpp"

#include <chrono>
#include <ctime>
#include <fstream>
#include <nlohmann/json.hpp>
#include <sstream>
#include <stdexcept>

#include "sequences/engine/header.hpp"
#include "sequences/record/json_form.hpp"
#include "tests/support/places.hpp"
#include "tests/virtual_bench/virtual_bench.hpp"

namespace nightbench::testing {
namespace {

const std::string kSource = NIGHTBENCH_SOURCE_DIR;

std::string text_of(const std::string& path) {
  std::ifstream file(kSource + path, std::ios::binary);
  if (!file) throw std::runtime_error("no file " + path);
  std::ostringstream text;
  text << file.rdbuf();
  return std::move(text).str();
}

double thread_seconds() {
  timespec now{};
  clock_gettime(CLOCK_THREAD_CPUTIME_ID, &now);
  return static_cast<double>(now.tv_sec) + static_cast<double>(now.tv_nsec) * 1e-9;
}

std::string simulation_with_seed(std::uint64_t seed) {
  std::string text = text_of("/mock_instruments/benches/heron-30-typical.json");
  const std::string old = "\"seed\": 20261";
  const std::size_t at = text.find(old);
  if (at == std::string::npos) throw std::runtime_error("the simulated bench has another seed");
  return text.replace(at, old.size(), "\"seed\": " + std::to_string(seed));
}

// Sources at the pace of real ones need the dialect's settle time; the demo's answer at once.
std::string bench_text() {
  nlohmann::json bench =
      nlohmann::json::parse(text_of("/docs/examples/bench-simulated.json"), nullptr, true, true);
  for (const char* each : {"generator", "clock"}) bench["instruments"][each].erase("settle");
  return bench.dump();
}

class LastRun final : public engine::Observer {
 public:
  void began(const record::Header& header) override { id = header.run_id; }
  void point(const record::Point&, const engine::Progress&) override {}
  void event(const record::Event&) override {}
  void ended(record::Outcome, const std::string&) override {}
  std::string id;
};

}  // namespace

Night run_night(double hours, std::uint64_t seed, const NightScript& script) {
  const auto wall = std::chrono::steady_clock::now();
  const double processor = thread_seconds();
  VirtualBench bench(simulation_with_seed(seed), kSource + "/mock_instruments/benches",
                     bench_text());
  const script::Plan plan = make_plan(library_text("scripts/" + script.name + ".json"),
                                      library_text("board_types/heron-30.json"), script.settings);
  const std::vector<std::string> boards = bench.simulation().boards();

  Night night;
  std::string fingerprints;
  while (seconds(bench.clock().now().time_since_epoch()) < hours * 3600) {
    record::MemoryJournal journal;  // a new one a run: a night's memory is that of one run
    LastRun last;
    const auto ending = bench.run_plan(plan, journal, boards[night.runs % boards.size()], &last);
    if (!ending) throw std::runtime_error(describe(ending.error()));
    if (ending->outcome != record::Outcome::complete) throw std::runtime_error(ending->text);
    const auto run = journal.load(last.id);
    if (!run) throw std::runtime_error(describe(run.error()));
    ++night.runs;
    night.points += run->points.size();
    for (const record::Point& point : run->points) {
      for (const record::Reading& reading : point.readings) {
        ++(reading.value ? night.readings : night.no_readings);
      }
    }
    fingerprints += engine::sha256_hex(record::json_text(*run));
  }
  night.fingerprint = engine::sha256_hex(fingerprints);
  night.virtual_hours = seconds(bench.clock().now().time_since_epoch()) / 3600;
  night.processor_s = thread_seconds() - processor;
  night.wall_s = seconds(std::chrono::steady_clock::now() - wall);
  return night;
}

}  // namespace nightbench::testing
