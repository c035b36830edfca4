// What a board type says about bring-up: its parts for drawings, resistances to measure without
// power, and pairs of test points to compare under power or without.
//
// The bounds of a resistance `r` and of a pair `p` are limits of the board type under the ids "r",
// "p.phase", "p.balance", "p.level_1" and "p.level_2", "p.frequency". Ohms, volts peak, degrees, dB,
// Hz, millimetres.
#pragma once

#include <array>
#include <cstdint>
#include <map>
#include <optional>
#include <string>

#include "drivers/base/error.hpp"
#include "drivers/base/json.hpp"
#include "sequences/script/limits.hpp"

namespace nightbench::script {

// How a package shows where pin 1 is.
enum class PinOneMark : std::uint8_t { notch, bar, dot };
const char* word(PinOneMark mark);  // "notch", "bar", "dot"

// A place on the board, from the lower left corner of its outline.
struct Place {
  double x_mm = 0, y_mm = 0;
};

struct Part {
  std::string id;       // "U1"
  std::string title;    // "Switch, 3253 type"
  std::string package;  // "SO-16"
  int pins = 0;         // counted anticlockwise from pin 1, seen from above
  PinOneMark mark = PinOneMark::dot;
  std::optional<Place> place;  // of its middle
  int rotation_deg = 0;        // anticlockwise; at 0 pin 1 is at the upper left
};

struct Outline {
  double width_mm = 0, height_mm = 0;  // 0: not stated
};

// Ohms between two test points of the unpowered board.
struct ResistanceCheck {
  std::string id, title;
  std::array<std::string, 2> between;  // red tip, black tip
  // A reading above this says that a tip touches nothing; for checks without an upper limit, which
  // an open circuit would pass.
  std::optional<double> open_above_ohm;
};

// Which line of the spectrum a pair is compared at.
enum class Carrier : std::uint8_t { lo, rf, intermediate };
const char* word(Carrier carrier);  // "lo", "rf", "if"

struct PairCheck {
  std::string id, title;
  std::array<std::string, 2> between;  // the phase is that of the second less that of the first
  Carrier at = Carrier::lo;
  bool powered = true;
  bool balance_is_note = false;  // out of its bounds the balance is a note, not a failure
};

struct BringUp {
  std::map<std::string, Part> parts;
  Outline outline;
  std::map<std::string, ResistanceCheck> resistances;
  std::map<std::string, PairCheck> pairs;
};

// "x" and "y" of a part or test point: both or neither.
Result<std::optional<Place>> decode_place(json::Fields& fields);

// Decodes "parts", "outline", "resistances" and "pairs" of a board type, each of which may be
// absent. `known` tells whether there is a test point of that name. Bounds are added to `limits`.
// Errors: bad_input.
Result<BringUp> decode_bring_up(json::Fields& fields, const std::map<std::string, bool>& known,
                                Limits& limits);

}  // namespace nightbench::script
