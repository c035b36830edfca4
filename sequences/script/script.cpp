#include "sequences/script/script.hpp"

#include <fstream>
#include <set>
#include <sstream>

#include "sequences/script/parameters.hpp"
#include "sequences/script/range.hpp"

namespace nightbench::script {
namespace {

constexpr int kDeepest = 8;  // nesting of sweeps and repeats
constexpr long long kHighestHarmonic = 15;
constexpr long long kMostAverages = 4096;

Result<std::vector<Step>> decode_steps(const json::Node& node, int depth);

Result<PowerStep> decode_power(json::Fields& fields) {
  PowerStep step;
  TRY_ASSIGN(const json::Node output, fields.need("output"));
  TRY_ASSIGN(const std::size_t choice, output.word({"on", "off"}));
  step.on = choice == 0;
  TRY_ASSIGN(step.volts, fields.maybe_quantity("voltage", Unit::volt));
  TRY_ASSIGN(step.limit_a, fields.maybe_quantity("current_limit", Unit::ampere));
  TRY_ASSIGN(step.soft_start_s, fields.quantity("soft_start", Unit::second, 0.0));
  if (!(step.soft_start_s >= 0 && step.soft_start_s <= 60)) {
    return fields.node().refuse("\"soft_start\" must be from 0 s to one minute");
  }
  if (step.volts && *step.volts <= 0) {
    return fields.node().refuse("\"voltage\" must be above 0 V");
  }
  if (step.limit_a && *step.limit_a <= 0) {
    return fields.node().refuse("\"current_limit\" must be above 0 A");
  }
  return step;
}

Result<std::optional<bool>> on_off(json::Fields& fields, const std::string& key) {
  const auto node = fields.find(key);
  if (!node) return std::optional<bool>();
  TRY_ASSIGN(const std::size_t choice, node->word({"on", "off"}));
  return std::optional<bool>(choice == 0);
}

Result<DriveStep> decode_drive(json::Fields& fields) {
  DriveStep step;
  TRY_ASSIGN(step.rf_hz, fields.maybe_quantity("rf", Unit::hertz));
  TRY_ASSIGN(step.level_dbm, fields.maybe_quantity("level", Unit::dbm));
  TRY_ASSIGN(step.offset_hz, fields.maybe_quantity("offset", Unit::hertz));
  TRY_ASSIGN(step.lo_hz, fields.maybe_quantity("lo", Unit::hertz));
  TRY_ASSIGN(step.rf_on, on_off(fields, "rf_output"));
  TRY_ASSIGN(step.lo_on, on_off(fields, "lo_output"));
  if (step.offset_hz && step.lo_hz) {
    return fields.node().refuse("give \"lo\" or \"offset\", not both");
  }
  if (step.rf_hz && *step.rf_hz <= 0) {
    return fields.node().refuse("an RF frequency must be above 0 Hz");
  }
  if (step.lo_hz && *step.lo_hz <= 0) {
    return fields.node().refuse("an LO frequency must be above 0 Hz");
  }
  if (step.offset_hz && *step.offset_hz == 0) {
    return fields.node().refuse("an offset of 0 Hz leaves no IF to measure");
  }
  return step;
}

// One name, or a list of them.
Result<std::vector<std::string>> names(const json::Node& node) {
  std::vector<std::string> out;
  if (node.is_string()) {
    TRY_ASSIGN(std::string name, node.text());
    out.push_back(std::move(name));
    return out;
  }
  TRY_ASSIGN(const auto elements, node.elements(1));
  for (const json::Node& each : elements) {
    TRY_ASSIGN(std::string name, each.text());
    out.push_back(std::move(name));
  }
  return out;
}

Result<VoltsStep> decode_volts(json::Fields& fields) {
  VoltsStep step;
  TRY_ASSIGN(const json::Node at, fields.need("at"));
  TRY_ASSIGN(step.at, names(at));
  return step;
}

Result<AskStep> decode_ask(json::Fields& fields) {
  AskStep step;
  TRY_ASSIGN(step.id, fields.text("id"));
  TRY_ASSIGN(step.title, fields.text("title", step.id));
  TRY_ASSIGN(step.text, fields.text("text"));
  TRY_ASSIGN(step.part, fields.text("part", ""));
  return step;
}

Result<OhmsStep> decode_ohms(json::Fields& fields) {
  OhmsStep step;
  TRY_ASSIGN(const json::Node check, fields.need("check"));
  TRY_ASSIGN(step.checks, names(check));
  return step;
}

Result<PairStep> decode_pair(json::Fields& fields) {
  PairStep step;
  if (const auto check = fields.find("check")) {
    TRY_ASSIGN(step.checks, names(*check));
    return step;  // what else an I/Q pair may have is refused by finish()
  }
  if (const auto between = fields.find("between")) {
    TRY_ASSIGN(const auto points, between->elements(2));
    if (points.size() != 2) return between->wrong("two test points");
    TRY_ASSIGN(step.first, points[0].text());
    TRY_ASSIGN(step.second, points[1].text());
  }
  TRY_ASSIGN(const long long samples, fields.integer("samples", 100, 10'000'000, 0));
  step.record_points = static_cast<std::size_t>(samples);
  TRY_ASSIGN(step.periods, fields.number("periods", 0.0));
  if (step.periods != 0 && !(step.periods >= 5 && step.periods <= 100'000)) {
    return fields.node().refuse("\"periods\" must be from 5 to 100000");
  }
  TRY_ASSIGN(const long long averages, fields.integer("averages", 1, kMostAverages, 1));
  step.averages = static_cast<int>(averages);
  TRY_ASSIGN(const long long harmonic, fields.integer("harmonic", 1, kHighestHarmonic, 1));
  if (harmonic % 2 == 0) {
    return fields.node().refuse("\"harmonic\" must be odd: a balanced detector has no response of its "
                                "own beside even multiples of the LO");
  }
  step.harmonic = static_cast<int>(harmonic);
  return step;
}

Result<SweepStep> decode_sweep(json::Fields& fields, int depth) {
  SweepStep step;
  TRY_ASSIGN(const json::Node over, fields.need("over"));
  TRY_ASSIGN(const auto axes, over.elements(1));
  std::set<Axis> seen;
  for (const json::Node& axis : axes) {
    TRY_ASSIGN(Range range, decode_range(axis));
    if (!seen.insert(range.axis).second) {
      return axis.refuse(std::string("the axis \"") + word(range.axis) + "\" stands twice");
    }
    step.over.push_back(std::move(range));
  }
  TRY_ASSIGN(const json::Node body, fields.need("do"));
  TRY_ASSIGN(step.body, decode_steps(body, depth + 1));
  return step;
}

Result<Step> decode_step(const json::Node& node, int depth) {
  TRY_ASSIGN(auto fields, json::Fields::of(node, "a step"));
  TRY_ASSIGN(const json::Node kind, fields.need("step"));
  const std::vector<std::string> kinds{"power", "drive", "volts", "pair", "wait", "sweep", "repeat",
                                       "ask", "ohms", "match"};
  TRY_ASSIGN(const std::size_t choice, kind.word(kinds));
  Step step;
  step.pointer = node.pointer();
  TRY_ASSIGN(step.label, fields.text("label", kinds[choice]));
  switch (choice) {
    case 0: {
      TRY_ASSIGN(step.what, decode_power(fields));
      break;
    }
    case 1: {
      TRY_ASSIGN(step.what, decode_drive(fields));
      break;
    }
    case 2: {
      TRY_ASSIGN(step.what, decode_volts(fields));
      break;
    }
    case 3: {
      TRY_ASSIGN(PairStep pair, decode_pair(fields));
      if (pair.harmonic != 1 && step.label == kinds[choice]) {
        step.label = "at " + std::to_string(pair.harmonic) + " x LO";
      }
      step.what = std::move(pair);
      break;
    }
    case 4: {
      TRY_ASSIGN(const double seconds, fields.quantity("for", Unit::second));
      if (!(seconds >= 0 && seconds <= 86400)) return node.refuse("\"for\" must be from 0 s to one day");
      step.what = WaitStep{seconds};
      break;
    }
    case 5: {
      TRY_ASSIGN(step.what, decode_sweep(fields, depth));
      break;
    }
    case 7: {
      TRY_ASSIGN(step.what, decode_ask(fields));
      break;
    }
    case 8: {
      TRY_ASSIGN(step.what, decode_ohms(fields));
      break;
    }
    case 9: {
      MatchStep match;
      TRY_ASSIGN(match.at, fields.text("at"));
      step.what = std::move(match);
      break;
    }
    default: {
      RepeatStep repeat;
      TRY_ASSIGN(const long long times, fields.integer("times", 1, 1'000'000));
      repeat.times = static_cast<std::uint64_t>(times);
      TRY_ASSIGN(const json::Node body, fields.need("do"));
      TRY_ASSIGN(repeat.body, decode_steps(body, depth + 1));
      step.what = std::move(repeat);
      break;
    }
  }
  TRY(fields.finish());
  return step;
}

Result<std::vector<Step>> decode_steps(const json::Node& node, int depth) {
  if (depth > kDeepest) return node.refuse("sweeps and repeats are nested more than 8 deep");
  TRY_ASSIGN(const auto elements, node.elements(1));
  std::vector<Step> steps;
  for (const json::Node& each : elements) {
    TRY_ASSIGN(Step step, decode_step(each, depth));
    steps.push_back(std::move(step));
  }
  return steps;
}

}  // namespace

Result<Script> decode_script(const json::Node& root, std::string text,
                             const std::map<std::string, std::string>& settings) {
  TRY_ASSIGN(Prepared prepared, put_parameters(root, settings));
  Script script;
  script.file = root.file();
  script.text = std::move(text);
  script.parameters = std::move(prepared.parameters);
  TRY_ASSIGN(auto fields, json::Fields::of(prepared.root, "a script"));
  TRY_ASSIGN(script.name, fields.text("script"));
  TRY_ASSIGN(script.title, fields.text("title", script.name));
  TRY_ASSIGN(script.board_type, fields.text("board_type", ""));
  static_cast<void>(fields.find("parameters"));
  TRY_ASSIGN(const json::Node steps, fields.need("steps"));
  TRY_ASSIGN(script.steps, decode_steps(steps, 0));
  TRY(fields.finish());
  return script;
}

Result<Script> read_script(const std::filesystem::path& path,
                           const std::map<std::string, std::string>& settings) {
  TRY_ASSIGN(const json::Node root, json::read_file(path));
  std::ifstream stream(path, std::ios::binary);
  std::ostringstream text;
  text << stream.rdbuf();
  return decode_script(root, std::move(text).str(), settings);
}

}  // namespace nightbench::script
