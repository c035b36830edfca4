// Script file: ordered steps in JSON. Decoding is strict; every error holds file, pointer and what
// was expected. Parameters are put in first: a string that is exactly "$name" stands for the value
// of the parameter.
#pragma once

#include <filesystem>
#include <map>
#include <string>
#include <variant>
#include <vector>

#include "drivers/base/error.hpp"
#include "drivers/base/json.hpp"

namespace nightbench::script {

struct Step;

// Supply on (with the board type's voltage and current limit, or the script's own) or off.
struct PowerStep {
  bool on = true;
  std::optional<double> volts, limit_a;
  double soft_start_s = 0;  // the voltage rises in steps over this time; 0: at once
};

// Sets RF and LO; what is absent stays as it is. `offset_hz` is f_RF - f_LO.
struct DriveStep {
  std::optional<double> rf_hz, level_dbm, offset_hz, lo_hz;
  std::optional<bool> rf_on, lo_on;
};

// DC volts at test points, by the meter.
struct VoltsStep {
  std::vector<std::string> at;
};

// A question to the person at the bench, answered by yes or no and kept as a reading.
struct AskStep {
  std::string id;     // of the reading: "orientation_u1"
  std::string title;  // "Orientation of U1"
  std::string text;
  std::string part;  // drawn beside the question; "" for none
};

// Resistances of the board type, by the meter, on the unpowered board.
struct OhmsStep {
  std::vector<std::string> checks;
};

// Level and phase between two test points, by the scope. Empty names stand for the board's I and Q;
// `checks` names pairs of the board type instead, one after the other.
struct PairStep {
  std::vector<std::string> checks;
  std::string first, second;
  std::size_t record_points = 0;  // samples per channel; 0: the engine's choice
  double periods = 0;             // of the IF in the record; 0: the engine's choice
  int averages = 1;               // acquisitions that the scope averages, lined up by its trigger
  // Odd. Above 1 the RF is put beside this multiple of the LO for this pair alone, as far from it as
  // it is from the LO itself: what a sampling detector receives there at the same IF.
  int harmonic = 1;
};

// Both scope probes on one node: what the second channel shows over the first is kept beside the
// bench file.
struct MatchStep {
  std::string at;  // test point
};

struct WaitStep {
  double seconds = 0;
};

enum class Axis : std::uint8_t { rf, offset, level };
const char* word(Axis axis);  // "rf", "offset", "level"

// The values one axis takes, in order.
struct Range {
  Axis axis = Axis::rf;
  std::vector<double> values;
};

// Nested ranges, outermost first; the steps in `body` run at every combination.
struct SweepStep {
  std::vector<Range> over;
  std::vector<Step> body;
};

struct RepeatStep {
  std::uint64_t times = 1;
  std::vector<Step> body;
};

struct Step {
  std::string pointer;  // JSON pointer in the script
  std::string label;    // for people; the step's kind when the script gives none
  std::variant<PowerStep, DriveStep, VoltsStep, PairStep, WaitStep, SweepStep, RepeatStep, AskStep, OhmsStep,
               MatchStep>
      what;
};

struct Script {
  std::string name, title;
  std::string file;
  std::string text;        // as read
  std::string board_type;  // the name of the type it was written for; "" for any
  std::map<std::string, std::string> parameters;  // as used, defaults and settings, as JSON text
  std::vector<Step> steps;
};

// Reads a script and puts parameters in. `settings` are NAME=VALUE pairs from the command line; a
// name the script does not declare is refused, with the nearest declared one.
Result<Script> read_script(const std::filesystem::path& path,
                           const std::map<std::string, std::string>& settings);
Result<Script> decode_script(const json::Node& root, std::string text,
                             const std::map<std::string, std::string>& settings);

}  // namespace nightbench::script
