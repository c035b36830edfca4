// Runs made by hand for the tests of diagnosis: a good Heron-30 board as theory has it, with single
// readings changed.
#pragma once

#include <cmath>
#include <fstream>
#include <map>
#include <numbers>
#include <sstream>
#include <stdexcept>
#include <string>

#include "sequences/diagnosis/diagnose.hpp"
#include "sequences/reading/iq.hpp"
#include "sequences/record/run.hpp"
#include "sequences/script/board_type.hpp"
#include "tests/support/places.hpp"

namespace nightbench::diagnosis::testing {

inline const std::string kLibrary = NIGHTBENCH_SOURCE_DIR "/sequences/library";

inline std::string text_of(const std::string& file) {
  std::ifstream stream(file, std::ios::binary);
  std::ostringstream text;
  text << stream.rdbuf();
  return std::move(text).str();
}

template <typename T>
T must(Result<T> result) {
  if (!result) throw std::runtime_error(describe(result.error()));
  return *std::move(result);
}

inline const FaultBook& book() {
  static const FaultBook kBook = must(read_fault_book(kLibrary + "/fault_books/iq-receiver.json"));
  return kBook;
}

inline const script::BoardType& heron() {
  static const script::BoardType kType =
      must(script::read_board_type(kLibrary + "/board_types/heron-30.json"));
  return kType;
}

inline record::Reading reading(const std::string& quantity, const std::string& unit, double value,
                               double u) {
  record::Reading out;
  out.quantity = out.title = quantity;
  out.unit = unit;
  out.value = value;
  out.expanded_u = u;
  out.limit = script::limit_at(heron().limits, quantity, 10.125e6);
  const bool outside = (out.limit.lower && value < *out.limit.lower) ||
                       (out.limit.upper && value > *out.limit.upper);
  out.decision = !out.limit.lower && !out.limit.upper ? record::Decision::none
                 : outside                            ? record::Decision::fail
                                                      : record::Decision::pass;
  return out;
}

inline record::Reading silent(const std::string& quantity, const std::string& unit) {
  record::Reading out = reading(quantity, unit, 0, 0);
  out.value.reset();
  out.reason = "empty";
  out.decision = record::Decision::no_reading;
  return out;
}

struct Outputs {
  double i_db = 0, q_db = 0;  // over what the conversion gain promises
  bool i_silent = false, q_silent = false;
  double q_minus_i_deg = 90;  // with the RF above the LO
  double i_offset_v = 2.5, q_offset_v = 2.5;
  double offset_hz = 5e3;
};

inline record::Point outputs(const Outputs& made = {}) {
  record::Point point;
  point.label = "I and Q";
  point.at = {{"rf_hz", 10.125e6}, {"lo_hz", 10.125e6 - made.offset_hz},
              {"offset_hz", made.offset_hz}, {"level_dbm", -40.0}};
  const double expected_v = reading::emf_peak_v(-40, 50) * std::pow(10, heron().conversion_gain_db / 20);
  const auto volts = [&](double db) { return expected_v * std::pow(10, db / 20); };
  point.readings.push_back(reading("if_frequency", "Hz", made.offset_hz, 0.1));
  if (made.i_silent) point.readings.push_back(silent("i_amplitude", "V"));
  else point.readings.push_back(reading("i_amplitude", "V", volts(made.i_db), 0.025 * volts(made.i_db)));
  if (made.q_silent) point.readings.push_back(silent("q_amplitude", "V"));
  else point.readings.push_back(reading("q_amplitude", "V", volts(made.q_db), 0.025 * volts(made.q_db)));
  if (!made.i_silent && !made.q_silent) {
    point.readings.push_back(reading("gain_balance", "dB", made.q_db - made.i_db, 0.06));
    point.readings.push_back(reading("q_minus_i", "deg", made.q_minus_i_deg, 0.1));
  }
  point.readings.push_back(reading("i_offset", "V", made.i_offset_v, 0.01));
  point.readings.push_back(reading("q_offset", "V", made.q_offset_v, 0.01));
  return point;
}

inline record::Point single(record::Reading one) {
  record::Point point;
  point.readings.push_back(std::move(one));
  return point;
}

inline record::Point pair(const std::string& id, double phase_deg, double level_1_v, double level_2_v) {
  record::Point point;
  point.at = {{"rf_hz", 10.125e6}, {"lo_hz", 10.120e6}, {"offset_hz", 5e3}, {"level_dbm", -16.0}};
  if (level_1_v > 0 && level_2_v > 0) {
    point.readings.push_back(reading(id + ".phase", "deg", phase_deg, 1));
    point.readings.push_back(reading(id + ".balance", "dB", 20 * std::log10(level_2_v / level_1_v), 0.3));
  }
  const auto level = [&](const char* part, double volts) {
    if (volts > 0) point.readings.push_back(reading(id + part, "V", volts, 0.03 * volts));
    else point.readings.push_back(silent(id + part, "V"));
  };
  level(".level_1", level_1_v);
  level(".level_2", level_2_v);
  return point;
}

// A square wave of 5 V: its fundamental.
inline constexpr double kLo_v = 10 / std::numbers::pi;

// Questions, shorts, current, DC and the outputs of a good board, as far as they are not replaced.
inline record::Run run(const std::map<std::string, record::Point>& instead = {}) {
  record::Run out;
  out.header.run_id = "20261126T030405Z-H30-007-1a2b";
  out.header.board = "H30-007";
  out.header.board_type = "heron-30";
  out.header.board_type_text = heron().text;
  out.outcome = record::Outcome::complete;
  std::map<std::string, record::Point> points{
      {"orientation_u1", single(reading("orientation_u1", "yes/no", 1, 0))},
      {"op_amp_short", single(reading("op_amp_short", "ohm", 200e3, 100))},
      {"switch_short", single(reading("switch_short", "ohm", 1700, 2))},
      {"supply_current", single(reading("supply_current", "A", 0.018, 1e-4))},
      {"op_amp_supply", single(reading("op_amp_supply", "V", 10, 0.01))},
      {"switch_supply", single(reading("switch_supply", "V", 5, 0.005))},
      {"mid_rail", single(reading("mid_rail", "V", 2.5, 0.005))},
      {"outputs", outputs()},
  };
  for (const auto& [id, point] : instead) points[id] = point;
  for (auto& [id, point] : points) {
    point.ordinal = out.points.size();
    out.points.push_back(point);
  }
  return out;
}

}  // namespace nightbench::diagnosis::testing
