#include "tests/trouble/matrix.hpp"

#include <cmath>
#include <map>
#include <nlohmann/json.hpp>
#include <optional>
#include <stdexcept>

#include "tests/soak/nights/checks.hpp"
#include "tests/support/places.hpp"
#include "tests/support/process.hpp"
#include "tests/virtual_bench/virtual_bench.hpp"

namespace nightbench::testing {
namespace {

using Json = nlohmann::json;
const std::string kSource = NIGHTBENCH_SOURCE_DIR;
const std::string kBoard = "H30-001";
constexpr Duration kLongest = std::chrono::hours(2);  // of virtual time: longer is a hang

// Meter and relays are asked in every round, so that a trouble of theirs falls into the sweep too.
const std::string kScript = R"({"script": "matrix", "board_type": "heron-30", "steps": [
  {"step": "power", "output": "on"},
  {"step": "sweep", "over": [
      {"axis": "offset", "list": ["5 kHz"]}, {"axis": "level", "list": ["-40 dBm"]},
      {"axis": "rf", "from": "10.10 MHz", "to": "10.14 MHz", "points": 3}],
   "do": [{"step": "pair"}, {"step": "volts", "at": ["mid_rail"]}]},
  {"step": "drive", "rf_output": "off", "lo_output": "off"},
  {"step": "power", "output": "off"}]})";

using Counts = std::map<std::string, std::uint64_t>;

Counts messages(const mock::server::SimulatedBench& simulation) {
  Counts out;
  for (const std::string& each : trouble_instruments()) out[each] = simulation.messages(each);
  return out;
}

// Takes down, whenever a point is kept, how many messages each instrument has had.
class Watch final : public engine::Observer {
 public:
  explicit Watch(const mock::server::SimulatedBench& simulation) : simulation_(simulation) {}
  void began(const record::Header& header) override { id = header.run_id; }
  void point(const record::Point&, const engine::Progress&) override {
    at_points.push_back(messages(simulation_));
  }
  void event(const record::Event&) override {}
  void ended(record::Outcome, const std::string&) override {}

  std::string id;
  std::vector<Counts> at_points;

 private:
  const mock::server::SimulatedBench& simulation_;
};

struct Trial {
  record::Run run;
  std::vector<Counts> at_points;
  std::uint64_t strikes = 0;
  std::string left_on;
  Duration took{};
  Findings findings;
  Tally tally;
};

std::string outputs_on(const mock::server::Truth& truth) {
  std::string out;
  if (truth.rf_on) out += " RF";
  if (truth.lo_on) out += " LO";
  if (truth.supply_on) out += " supply";
  return out;
}

// `trouble` strikes `instrument` at its message `message`; none when it is empty.
Trial run_trial(const std::string& trouble, const std::string& instrument, std::uint64_t message) {
  Json simulation = Json::parse(
      read_text(kSource + "/mock_instruments/benches/heron-30-typical.json"), nullptr, true, true);
  Json bench_file =
      Json::parse(read_text(kSource + "/docs/examples/bench-simulated.json"), nullptr, true, true);
  // Sources that take their time need the dialect's settle time; the demo's answer at once.
  for (const char* each : {"generator", "clock"}) bench_file["instruments"][each].erase("settle");
  if (!trouble.empty()) {
    simulation["instruments"][instrument]["troubles"] = {
        {{"what", trouble}, {"when", {{"command", message}}}}};
  }
  VirtualBench bench(simulation.dump(), kSource + "/mock_instruments/benches", bench_file.dump());
  const script::Plan plan = make_plan(kScript, library_text("board_types/heron-30.json"));
  record::MemoryJournal journal;
  Watch watch(bench.simulation());
  const auto ending = bench.run_plan(plan, journal, kBoard, &watch);
  if (!ending) throw std::runtime_error(describe(ending.error()));

  Trial out;
  out.at_points = watch.at_points;
  out.took = bench.clock().now().time_since_epoch();
  out.left_on = outputs_on(bench.simulation().truth());
  for (const auto& [kind, count] : bench.simulation().strikes(instrument)) out.strikes += count;
  const auto run = journal.load(watch.id);
  if (!run) throw std::runtime_error(describe(run.error()));
  out.run = *run;
  if (out.left_on.empty()) {
    check_truth(out.run, bench.simulation(), out.tally, out.findings);
  }
  return out;
}

// DC readings have no truth to be asked for; they are held against those of the undisturbed run.
void check_volts(const Trial& trial, const Trial& undisturbed, Findings& findings) {
  std::map<std::uint64_t, const record::Point*> before;
  for (const record::Point& each : undisturbed.run.points) before[each.ordinal] = &each;
  for (const record::Point& point : trial.run.points) {
    for (const record::Reading& reading : point.readings) {
      if (reading.quantity != "mid_rail" || !reading.value) continue;
      const record::Reading& other = before.at(point.ordinal)->readings.front();
      if (std::fabs(*reading.value - *other.value) <= 3 * other.expanded_u) continue;
      findings.push_back("mid_rail is " + std::to_string(*reading.value) + " V, undisturbed " +
                         std::to_string(*other.value) + " V");
    }
  }
}

void check_points(const Trial& trial, Findings& findings) {
  const record::Run& run = trial.run;
  const bool complete = run.outcome == record::Outcome::complete;
  for (std::size_t n = 0; n < run.points.size(); ++n) {
    if (run.points[n].ordinal != n) findings.push_back("points are not each once");
    for (const record::Reading& each : run.points[n].readings) {
      if (!each.value && each.reason.empty()) findings.push_back("no reading and no reason");
    }
  }
  if (complete && run.points.size() != run.header.planned_points) {
    findings.push_back("points are missing");
  }
  if (!complete && run.outcome_text.empty()) findings.push_back("stopped without a reason");
  if (trial.took > kLongest) findings.push_back("took longer than two hours");
}

void judge_trial(const std::string& trouble, const Trial& trial, const Trial& undisturbed,
                 TroubleCell& cell, const std::string& where) {
  Findings findings = trial.findings;
  check_points(trial, findings);
  check_volts(trial, undisturbed, findings);
  // An output behind another identity is not driven, not even off: the person is told.
  if (!trial.left_on.empty() && trouble != "wrong_identity") {
    findings.push_back("left on:" + trial.left_on);
  }
  bool all = true;
  for (const record::Point& each : trial.run.points) all = all && is_read(each);
  if (trial.run.outcome != record::Outcome::complete)
    ++cell.stopped;
  else
    ++(all ? cell.read : cell.unread);
  if (trial.strikes > 0) ++cell.struck;
  cell.compared += trial.tally.compared;
  cell.worst_u = std::max(cell.worst_u, trial.tally.worst_u);
  for (const std::string& each : findings) cell.wrong.push_back(where + ": " + each);
}

}  // namespace

const std::vector<std::string>& trouble_words() {
  static const std::vector<std::string> all{
      "drop",        "hang",  "trickle",     "garbage",        "truncated_block", "oversized_block",
      "wrong_terminator", "late_answer", "reset", "error_entry", "never_complete", "wrong_identity",
      "power_loss"};
  return all;
}

const std::vector<std::string>& trouble_instruments() {
  static const std::vector<std::string> all{"generator", "clock", "scope",
                                            "meter",     "supply", "relays"};
  return all;
}

std::vector<TroubleCell> trouble_row(const std::string& trouble) {
  const Trial undisturbed = run_trial("", "generator", 0);
  if (undisturbed.run.outcome != record::Outcome::complete || !undisturbed.findings.empty() ||
      undisturbed.run.points.size() != 7) {
    std::string text = "the undisturbed run: " + std::to_string(undisturbed.run.points.size()) +
                       " points, " + undisturbed.run.outcome_text;
    for (const std::string& each : undisturbed.findings) text += "; " + each;
    throw std::runtime_error(text);
  }
  // From the supply's point to the end of the second round: the first sets everything up, the second
  // changes what a sweep changes.
  const Counts& from = undisturbed.at_points.at(0);
  const Counts& to = undisturbed.at_points.at(4);
  std::vector<TroubleCell> row;
  for (const std::string& instrument : trouble_instruments()) {
    TroubleCell cell;
    cell.instrument = instrument;
    // One more than it hears, so that each has at least one.
    for (std::uint64_t n = from.at(instrument) + 1; n <= to.at(instrument) + 1; ++n) {
      const std::string where = trouble + " at " + instrument + ", message " + std::to_string(n);
      ++cell.trials;
      try {
        judge_trial(trouble, run_trial(trouble, instrument, n), undisturbed, cell, where);
      } catch (const std::exception& thrown) {  // a standstill
        cell.wrong.push_back(where + ": " + thrown.what());
      }
    }
    row.push_back(std::move(cell));
  }
  return row;
}

std::string matrix_heading() {
  std::string names = "| trouble |";
  std::string rule = "| --- |";
  for (const std::string& each : trouble_instruments()) {
    names += " " + each + " |";
    rule += " --- |";
  }
  return names + "\n" + rule;
}

std::string matrix_line(const std::string& trouble, const std::vector<TroubleCell>& row) {
  std::string out = "| " + trouble + " |";
  for (const TroubleCell& cell : row) {
    std::string text;
    const auto add = [&text](int count, const char* word) {
      if (count > 0) text += (text.empty() ? " " : ", ") + std::to_string(count) + " " + word;
    };
    add(cell.read, "read");
    add(cell.unread, "unread");
    add(cell.stopped, "stopped");
    add(static_cast<int>(cell.wrong.size()), "WRONG");
    out += text + " |";
  }
  return out;
}

}  // namespace nightbench::testing
