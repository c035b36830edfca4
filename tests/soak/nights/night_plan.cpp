#include "tests/soak/nights/night_plan.hpp"

#include <algorithm>
#include <nlohmann/json.hpp>
#include <random>

#include "tests/support/places.hpp"
#include "tests/support/process.hpp"

namespace nightbench::testing {
namespace {

using Json = nlohmann::json;
const std::string kSource = NIGHTBENCH_SOURCE_DIR;

// Draws that are the same on every machine: std::mt19937_64 is, the distributions are not.
class Draw {
 public:
  explicit Draw(std::uint64_t seed) : engine_(seed) {}
  double uniform() { return static_cast<double>(engine_() >> 11U) * 0x1p-53; }
  double between(double low, double high) { return low + (high - low) * uniform(); }
  int whole(int low, int high) {
    return low + static_cast<int>(uniform() * static_cast<double>(high - low + 1));
  }
  bool chance(double probability) { return uniform() < probability; }
  template <typename T>
  const T& of(const std::vector<T>& list) {
    return list[static_cast<std::size_t>(whole(0, static_cast<int>(list.size()) - 1))];
  }

 private:
  std::mt19937_64 engine_;
};

const std::vector<std::string>& kinds() {
  static const std::vector<std::string> all{
      "drop",        "hang",        "trickle",        "garbage",        "truncated_block",
      "oversized_block", "wrong_terminator", "late_answer", "reset", "error_entry",
      "never_complete", "wrong_identity", "power_loss"};
  return all;
}

const std::vector<std::string> kDriving{"generator", "clock", "supply"};
const std::vector<std::string> kOthers{"scope", "meter", "relays"};

std::string instrument_for(const std::string& kind, Draw& draw) {
  if (kind == "truncated_block" || kind == "oversized_block") return "scope";
  // An output behind another identity is not driven, not even off: the person is told. What that
  // leaves on is no invariant of ours.
  if (kind == "wrong_identity") return draw.of(kOthers);
  return draw.chance(0.6) ? draw.of(kDriving) : draw.of(kOthers);
}

Json trouble(const std::string& kind, const std::string& instrument, Draw& draw) {
  Json out{{"what", kind}};
  Json when = Json::object();
  if (draw.chance(0.6)) {
    when["at"] = draw.between(0, 8);
  } else {
    when["command"] = draw.whole(1, instrument == "scope" ? 150 : 60);
  }
  if (kind == "truncated_block" || kind == "oversized_block") {
    when = {{"header", "DATA?"}, {"at", draw.between(0, 6)}};
  }
  if (kind == "power_loss") out["delay"] = draw.between(0.5, 20);
  if (kind == "late_answer") out["delay"] = draw.between(0.5, 8);
  const bool lasting = kind == "never_complete" || kind == "wrong_identity";
  if (!when.contains("command") && !lasting) out["times"] = draw.whole(1, 3);
  // One that comes by itself and is not followed by another is the hardest to notice.
  if (kind == "reset") out["times"] = 1;
  out["when"] = when;
  return out;
}

void draw_troubles(NightPlan& night, Json& simulation, Draw& draw) {
  const auto add = [&](const std::string& kind) {
    const std::string instrument = instrument_for(kind, draw);
    Json& one = simulation["instruments"][instrument];
    if (!one.contains("troubles")) one["troubles"] = Json::array();
    one["troubles"].push_back(trouble(kind, instrument, draw));
    ++night.scheduled[kind];
  };
  if (night.theme != "none") {
    for (int n = draw.whole(1, 3); n > 0; --n) add(night.theme);
  }
  if (draw.chance(0.3)) add(draw.of(kinds()));
}

void draw_kills(NightPlan& night, Draw& draw) {
  for (int n = draw.whole(0, 3); n > 0; --n) {
    PlannedKill kill;
    kill.kind = draw.chance(0.8) ? KillKind::kill : KillKind::hang;
    kill.after_s = draw.between(0, 4);
    kill.handlers = static_cast<std::size_t>(draw.whole(0, 12));
    kill.pause_s = draw.between(2.1, 10);
    night.kills.push_back(kill);
  }
  if (draw.chance(0.25)) night.wall_jumps.emplace_back(draw.between(0, 6), draw.between(-7200, 7200));
}

}  // namespace

const std::vector<std::string>& themes() {
  static const std::vector<std::string> all = [] {
    std::vector<std::string> out = kinds();
    out.insert(out.begin(), "none");
    return out;
  }();
  return all;
}

NightPlan draw_night(std::uint64_t seed, const std::string& theme) {
  Draw draw(seed);
  NightPlan night;
  night.seed = seed;
  night.theme = draw.of(themes());
  if (!theme.empty()) night.theme = theme;
  Json simulation = Json::parse(
      read_text(kSource + "/mock_instruments/benches/heron-30-typical.json"), nullptr, true, true);
  Json bench =
      Json::parse(read_text(kSource + "/docs/examples/bench-simulated.json"), nullptr, true, true);
  // Sources at the pace of real ones need the dialect's settle time; the demo's answer at once.
  for (const char* each : {"generator", "clock"}) bench["instruments"][each].erase("settle");
  simulation["seed"] = draw.whole(1, 1'000'000'000);
  simulation["time_scale"] = draw.between(1, 4);
  for (const std::string& each : kDriving) {
    if (draw.chance(0.3)) simulation["instruments"][each]["second_client"] = "refuse";
  }
  if (draw.chance(0.5)) bench["drift"] = {{"every", draw.between(1, 8)}};
  draw_troubles(night, simulation, draw);
  draw_kills(night, draw);
  const std::vector<std::string> boards{"H30-001", "H30-002", "H30-003", "H30-004"};
  for (int n = draw.whole(1, 2); n > 0; --n) night.boards.push_back(draw.of(boards));
  night.points = draw.whole(2, 10);
  night.simulation = simulation.dump();
  night.bench = bench.dump();
  return night;
}

}  // namespace nightbench::testing
