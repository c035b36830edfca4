// The record of a run: plain values that the engine writes, the journal keeps and the report reads.
//
// One run is one script on one board. A point is the smallest thing that is measured, judged and
// made durable at once. Everything the report shows is in here; nothing here refers to a live
// instrument. Quantities are named by stable ids ("image_rejection"), units are SI or dB texts.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "drivers/base/clock.hpp"

namespace nightbench::record {

enum class Decision : std::uint8_t {
  none,              // nothing to judge against
  pass,
  conditional_pass,  // inside the limit by less than U
  conditional_fail,  // outside by less than U
  fail,
  no_reading,
};

// "pass", "conditional pass", ... as shown to people and written to files.
const char* word(Decision decision);

struct Limit {
  std::optional<double> lower;  // in the reading's unit, at this point's frequency
  std::optional<double> upper;
  std::string name;             // of the limit or limit line in the board type; "" when none
};

// One line of a reading's uncertainty budget.
struct Contribution {
  std::string name;   // "noise", "channel gain match"
  char type = 'B';    // 'A': from the readings themselves; 'B': from elsewhere (JCGM 100:2008, 4.2, 4.3)
  double u = 0;       // standard uncertainty in the reading's unit, sensitivity included
};

struct Reading {
  std::string quantity;  // "gain_balance", "if_error", "mid_rail", ...
  std::string title;     // "I/Q gain balance"
  std::string unit;      // "dB", "Hz", "V", "deg", "" for a ratio
  std::optional<double> value;         // empty: no reading, `reason` says why
  double expanded_u = 0;               // k = 2, in `unit`
  std::optional<double> low, high;     // 95 % interval where it is not value -+ U; an absent end with
                                       // `open_above` set means "better than"
  bool open_above = false;
  std::string reason;                  // stable word: "clipped", "aliased", ... when there is no value
  std::string detail;                  // one sentence with numbers
  Limit limit;
  Decision decision = Decision::none;
  double conform_probability = -1;     // 0..1; -1 when not stated
  std::vector<Contribution> budget;    // empty at most points of a sweep: a few of them stand for all
};

// A short stretch of a capture kept for pictures: volts at equal steps.
struct TraceExcerpt {
  double dt_s = 0;
  std::vector<float> i_v, q_v;
};

struct Point {
  std::uint64_t ordinal = 0;            // position in the plan, 0-based, unique in the run
  std::string step;                     // JSON pointer of the step in the script, "/steps/4/do/0"
  std::string label;                    // for people: "response", "supplies"
  std::map<std::string, double> at;     // "rf_hz", "lo_hz", "offset_hz" (signed IF), "level_dbm", ...
  std::vector<Reading> readings;
  std::optional<TraceExcerpt> excerpt;  // only where the script or engine asks for it
  int attempts = 1;
  WallTime started, finished;
  std::vector<std::string> notes;       // "range raised to 1 V/div", "measured again after reconnect"
};

// The multiple of the LO beside which the RF stood: "harmonic" of its coordinates, 1 without it.
int harmonic_of(const Point& point);

enum class Severity : std::uint8_t { info, warning, trouble };
const char* word(Severity severity);

struct Event {
  WallTime time;
  Severity severity = Severity::info;
  std::string id;    // stable: "bench-connected", "capture-refused", "supply-tripped", ...
  std::string text;
};

struct Instrument {
  std::string name, role, resource, dialect;
  std::string identity;     // the whole *IDN? answer
  std::string calibrated;   // date from the bench file, "" when not stated
  std::string calibration_due;
};

// How a run ended.
enum class Outcome : std::uint8_t {
  unfinished,   // running, or cut short without a word (then it can be resumed)
  complete,     // every planned point is there or is "no reading"
  interrupted,  // asked to stop
  bench_failed, // an instrument let us down; points may be missing
  unsafe,       // stopped to protect the board
};
const char* word(Outcome outcome);

// The verdict over all judged readings of a run.
enum class Verdict : std::uint8_t { pass, conditional, fail, none };
const char* word(Verdict verdict);

struct Header {
  std::string run_id;       // sortable: "20261125T030405Z-H30-007-1a2b"
  std::string board;        // serial number
  std::string board_type;   // its name
  std::string board_type_title;
  std::string script;       // its name
  std::string script_file;
  std::string script_sha256;
  std::string script_text;       // as read
  std::string board_type_text;   // as read
  std::string bench;
  std::string bench_kind;        // "instruments", "simulated", "replay"
  std::string person;       // operator, "" when not stated
  std::string program_version;
  std::map<std::string, std::string> parameters;
  std::vector<Instrument> instruments;
  std::uint64_t planned_points = 0;
  WallTime started;
};

struct Run {
  Header header;
  std::vector<Point> points;  // by ordinal
  std::vector<Event> events;  // by time
  Outcome outcome = Outcome::unfinished;
  std::string outcome_text;   // why, when it is not complete
  std::optional<WallTime> finished;
};

// fail when any judged reading is fail or conditional fail... see verdict.cpp for the exact rule:
// fail > conditional > pass; a judged quantity with no reading at any point makes the verdict
// `none` unless something failed; a run without judged readings has the verdict `none`.
Verdict verdict(const Run& run);

}  // namespace nightbench::record
