// A bring-up on the simulated bench, on virtual time, with a virtual hand.
#pragma once

#include <fstream>
#include <functional>
#include <map>
#include <memory>
#include <optional>
#include <sstream>
#include <string>

#include "daemon/cli/virtual_hand.hpp"
#include "tests/support/places.hpp"
#include "tests/virtual_bench/virtual_bench.hpp"

namespace nightbench::cli::testing {

using nightbench::testing::library_text;
using nightbench::testing::make_plan;
using nightbench::testing::VirtualBench;

inline std::string file_text(const std::string& path) {
  std::ifstream stream(std::string(NIGHTBENCH_SOURCE_DIR) + "/" + path, std::ios::binary);
  std::ostringstream text;
  text << stream.rdbuf();
  return std::move(text).str();
}

// The demo's simulation with more boards ("\"X\": {...},"), and probes moved by hand.
inline std::unique_ptr<VirtualBench> hand_bench(
    const std::string& boards = "",
    const std::string& simulation_file = "mock_instruments/benches/heron-30.json") {
  return VirtualBench::demo([&](std::string& simulation, std::string& bench) {
    simulation = file_text(simulation_file);
    const std::string start = "\"boards\": {";
    simulation.insert(simulation.find(start) + start.size(), boards);
    bench = file_text("docs/examples/bench-bring-up.json");
  });
}

struct Done {
  record::Run run;
  engine::Ending ending;
  std::map<std::string, record::Reading> readings;  // by quantity, of the last point that has it
};

class Watch final : public engine::Observer {
 public:
  std::string run_id;
  std::function<void(const record::Point&)> on_point;
  void began(const record::Header& header) override { run_id = header.run_id; }
  void point(const record::Point& point, const engine::Progress&) override {
    if (on_point) on_point(point);
  }
  void event(const record::Event&) override {}
  void ended(record::Outcome, const std::string&) override {}
};

// Looks on at every prompt, may answer itself, and leaves the rest to the hand.
class Asked final : public engine::Operator {
 public:
  Asked(engine::Operator& hand, std::function<void(const engine::Prompt&)> look)
      : hand_(hand), look_(std::move(look)) {}
  std::function<std::optional<engine::Answer>(const engine::Prompt&)> answer;

  Awaitable<Result<engine::Reply>> ask(engine::Prompt prompt) override {
    look_(prompt);
    if (answer) {
      if (const std::optional<engine::Answer> own = answer(prompt)) {
        engine::Reply reply;
        reply.answer = *own;
        co_return reply;
      }
    }
    co_return co_await hand_.ask(prompt);
  }
  void withdraw() override { hand_.withdraw(); }

 private:
  engine::Operator& hand_;
  std::function<void(const engine::Prompt&)> look_;
};

// The library's script and board type, or the texts of others.
struct Texts {
  std::string script, board_type;
};

inline Done bring_up(VirtualBench& bench, const std::string& board, engine::Operator& person,
                     const Texts& texts = {},
                     std::function<void(const record::Point&)> on_point = {},
                     engine::Chooser chooser = {}) {
  const script::Plan plan = make_plan(
      texts.script.empty() ? library_text("scripts/bring-up.json") : texts.script,
      texts.board_type.empty() ? library_text("board_types/heron-30.json") : texts.board_type);
  record::MemoryJournal journal;
  Watch watch;
  watch.on_point = std::move(on_point);
  engine::Settings settings;
  settings.person = &person;
  settings.chooser = std::move(chooser);
  const auto ending = bench.run_plan(plan, journal, board, &watch, settings);
  if (!ending) throw std::runtime_error(describe(ending.error()));
  Done out;
  out.ending = *ending;
  out.run = *journal.load(watch.run_id);
  for (const record::Point& point : out.run.points) {
    for (const record::Reading& reading : point.readings) out.readings[reading.quantity] = reading;
  }
  return out;
}

inline std::string told(const Done& done) {
  std::string out =
      std::string(record::word(done.run.outcome)) + " " + done.run.outcome_text + "\n";
  for (const record::Point& point : done.run.points) {
    for (const record::Reading& reading : point.readings) {
      out += point.label + ": " + reading.quantity + " = " +
             (reading.value ? std::to_string(*reading.value) : "none (" + reading.reason + ")") +
             " " + reading.unit + " U " + std::to_string(reading.expanded_u) + ", " +
             record::word(reading.decision) + " " + reading.detail + "\n";
    }
    for (const std::string& note : point.notes) out += "    " + note + "\n";
  }
  return out;
}

}  // namespace nightbench::cli::testing
