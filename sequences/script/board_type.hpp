// Board type file: a design with its test points, nominal values and limits. Another board design
// is another file, not other code.
#pragma once

#include <filesystem>
#include <map>
#include <string>
#include <vector>

#include "drivers/base/error.hpp"
#include "sequences/script/checks.hpp"
#include "sequences/script/limits.hpp"

namespace nightbench::script {

struct TestPoint {
  std::string id;     // "op_amp_supply"
  std::string title;  // "Op-amp supply"
  std::string part;   // "U3"; "" when the point is not a part's pin
  int pin = 0;        // 0 when it has none
  std::optional<Place> place;  // on the outline
  bool stops_power = false;  // a supply: when its limit is missed, power goes off and the run ends
};

struct BoardType {
  std::string name;
  std::string title;
  std::string file;
  std::string text;  // as read, for the record

  double band_from_hz = 0, band_to_hz = 0;
  // Which channel leads when the RF is above the LO: +1 when I leads Q, -1 when Q leads I
  // (standards: sense s of the I/Q model; the usual four-phase sampler has -1).
  int sense = -1;

  std::string i_point, q_point;         // ids of the two output test points
  double output_bias_v = 0;             // DC at the outputs
  double output_swing_v = 0;            // largest undistorted peak around the bias
  double conversion_gain_db = 0;        // nominal: output peak over open-circuit EMF peak
  double rf_level_most_dbm = 0;         // the board's own safe maximum

  double supply_v = 0, supply_limit_a = 0;
  std::string supply_point;             // where the supply is connected
  std::string ground_point;             // where ground clips and black tips go; "" when not named
  double supply_settle_s = 0;           // from output on to stable readings

  double lo_amplitude_v = 0;            // peak to peak at the select pins
  double lo_phase_deg = 90;

  std::map<std::string, TestPoint> test_points;
  Limits limits;
  BringUp bring_up;
  std::vector<std::string> cautions;    // shown in prompts and report, on top of the usual ones

  const TestPoint* find(const std::string& id) const;
  // The part a test point belongs to, or null.
  const Part* part_of(const TestPoint& point) const;
};

// Every quantity the tool can judge, with its unit; DC test points are added by their own id.
const std::map<std::string, Unit>& known_quantities();

// Errors: bad_input with file, pointer and expectation.
Result<BoardType> read_board_type(const std::filesystem::path& path);
Result<BoardType> decode_board_type(const json::Node& root, std::string text);

}  // namespace nightbench::script
