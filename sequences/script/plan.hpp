// A script unrolled: every action in order, each with the whole bench state it needs.
//
// Actions are computed when asked for, so a plan of a million points takes no more memory than its
// script, and a resumed run starts in the middle by asking for the n-th action.
#pragma once

#include <cstdint>
#include <map>
#include <string>
#include <vector>

#include "sequences/script/board_type.hpp"
#include "sequences/script/script.hpp"

namespace nightbench::script {

// What the bench is meant to be doing.
struct Intent {
  bool supply_on = false;
  double supply_v = 0, supply_limit_a = 0;
  double soft_start_s = 0;  // how slowly the supply comes on
  bool rf_on = false;
  double rf_hz = 0;        // 0: not set yet
  double level_dbm = 0;
  bool level_known = false;
  bool lo_on = false;
  double offset_hz = 0;    // f_RF - f_LO; 0: the LO stands at lo_fixed_hz
  double lo_fixed_hz = 0;

  int harmonic = 1;        // the multiple of the LO the RF stands beside, odd

  double lo_hz() const { return offset_hz != 0 ? rf_hz - offset_hz : lo_fixed_hz; }
  double signed_if_hz() const { return rf_hz - harmonic * lo_hz(); }
};

enum class ActionKind : std::uint8_t {
  power,
  drive,
  volts,
  pair,
  wait,
  ask,
  ohms,
  check,
  match
};

struct Action {
  ActionKind kind = ActionKind::wait;
  std::uint64_t index = 0;           // in the plan
  Intent intent;                     // in force once the action's settings are made
  const Step* step = nullptr;        // of the plan's script
  std::string test_point;            // volts, match: the one to measure at
  std::string check;                 // ohms, check: the resistance or pair of the board type
  std::uint64_t ordinal = 0;         // of the point, when this action measures
  std::map<std::string, double> at;  // coordinates for the record
  bool measures() const {
    return kind != ActionKind::drive && kind != ActionKind::wait &&
           (kind != ActionKind::power || intent.supply_on);
  }
};

// What a script makes use of, each name with the pointer of a step that does.
struct Needs {
  std::map<std::string, std::string> volts;   // test points for DC volts
  std::map<std::string, std::string> ohms;    // resistances of the board type
  std::map<std::string, std::string> checks;  // pairs of the board type
  std::map<std::string, std::string> outputs;  // test points captured as I and Q
  std::map<std::string, std::string> questions;  // ids
  std::map<std::string, std::string> matches;    // test points where both probes go
  bool supply = false;
};

class Plan {
 public:
  Plan(Script script, BoardType type);

  const Script& script() const { return script_; }
  const BoardType& board_type() const { return type_; }
  std::uint64_t actions() const { return actions_; }
  std::uint64_t points() const { return points_; }
  // The n-th action, n < actions().
  Action action(std::uint64_t n) const;
  // Test points the script measures, with the pointer of a step that does, for checking the wiring.
  std::map<std::string, std::string> volts_points() const;
  bool uses_supply() const;
  bool uses_pairs() const;
  Needs needs() const;

 private:
  Script script_;
  BoardType type_;
  std::uint64_t actions_ = 0;
  std::uint64_t points_ = 0;
};

// The board type's limits are for the frequencies it was made to receive: beside a multiple of the LO
// there are none.
const Limits& limits_for(const BoardType& type, const Intent& intent);

// What must not be exceeded, from the bench file.
struct SafeLimits {
  double rf_level_most_dbm = 0;
  double supply_most_v = 0;
  double supply_most_a = 0;
};

// Checks the plan as a whole before any instrument is touched: test points known, levels and supply
// within the board type's and the bench's safe limits, and wherever a pair is measured, in the
// first round of a loop and in later ones: frequencies and level known, an IF left between RF and
// LO, the supply on. Pairs of the board type need what their line needs and the supply as they say;
// resistances need supply, RF and LO off. At most a million million actions. Errors: bad_input with file and pointer.
Result<void> check(const Plan& plan, const SafeLimits& safe);

}  // namespace nightbench::script
