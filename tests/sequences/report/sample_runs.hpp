// Two invented runs of the Heron-30 scenario for the tests of what is made from runs: a healthy
// board, and one whose Q stage is weak and late, with clipped captures. Every number is invented
// and comes from a closed formula, so that the runs are the same each time.
#pragma once

#include <cmath>
#include <numbers>
#include <string>

#include "sequences/record/run.hpp"

namespace nightbench::sample {

inline WallTime at_second(double second) {
  constexpr long long kStart_s = 1'795'575'845;  // 2026-11-25T03:04:05Z
  return WallTime(std::chrono::seconds(kStart_s)) + from_seconds(second);
}

struct Board {
  std::string serial;
  double gain_db = 12.0;     // conversion gain mid-band
  double balance_db = 0.08;  // Q over I
  double phase_deg = 0.6;    // from quadrature
  double mid_rail_v = 2.497;
  int clipped_from = -1, clipped_to = -1;  // places of the sweep without a reading
};

inline record::Reading reading(const std::string& quantity, const std::string& title,
                               const std::string& unit, double value, double u,
                               std::optional<double> lower, std::optional<double> upper) {
  record::Reading out;
  out.quantity = quantity;
  out.title = title;
  out.unit = unit;
  out.value = value;
  out.expanded_u = u;
  out.limit = {lower, upper, lower || upper ? quantity : ""};
  if (!lower && !upper) return out;
  const bool inside = (!lower || value >= *lower) && (!upper || value <= *upper);
  const bool surely_inside = (!lower || value >= *lower + u) && (!upper || value <= *upper - u);
  const bool surely_outside = (lower && value < *lower - u) || (upper && value > *upper + u);
  out.decision = surely_inside    ? record::Decision::pass
                 : inside         ? record::Decision::conditional_pass
                 : surely_outside ? record::Decision::fail
                                  : record::Decision::conditional_fail;
  return out;
}

inline double image_rejection_db(double balance_db, double phase_deg) {
  const double g = std::pow(10.0, balance_db / 20);
  const double c = 2 * g * std::cos(phase_deg * std::numbers::pi / 180);
  return 10 * std::log10((1 + g * g + c) / (1 + g * g - c));
}

inline record::TraceExcerpt excerpt(double amplitude_v, double balance_db, double phase_deg,
                                    double if_hz) {
  record::TraceExcerpt out;
  out.dt_s = 1e-6;
  const double gain = std::pow(10.0, balance_db / 20);
  for (int n = 0; n < 800; ++n) {
    const double angle = 2 * std::numbers::pi * if_hz * n * out.dt_s;
    const double noise = 0.002 * std::sin(1.7 * n) * std::cos(0.31 * n * n);
    out.i_v.push_back(static_cast<float>(2.5 + amplitude_v * std::cos(angle) + noise));
    out.q_v.push_back(static_cast<float>(
        2.49 + amplitude_v * gain * std::sin(angle + phase_deg * std::numbers::pi / 180) - noise));
  }
  return out;
}

inline record::Point supplies(const Board& board) {
  record::Point out;
  out.ordinal = 0;
  out.step = "/steps/1";
  out.label = "supplies";
  out.started = at_second(2);
  out.finished = at_second(3.5);
  out.readings.push_back(reading("op_amp_supply", "Op-amp supply", "V", 9.982, 0.011, 9.5, 10.5));
  out.readings.push_back(reading("switch_supply", "Switch supply", "V", 5.013, 0.0071, 4.75, 5.25));
  out.readings.push_back(
      reading("mid_rail", "Mid-rail bias", "V", board.mid_rail_v, 0.0048, 2.4, 2.6));
  out.readings.push_back(
      reading("supply_current", "Supply current", "A", 0.0384, 0.0009, std::nullopt, 0.06));
  return out;
}

inline record::Point response(const Board& board, std::uint64_t ordinal, double rf_hz,
                              double offset_hz, int place) {
  const double x = (rf_hz - 10.125e6) / 25e3;
  const double side = offset_hz > 0 ? 1 : -1;
  const double wobble = std::sin(2.1 * static_cast<double>(ordinal));
  const double gain_db = board.gain_db - 0.55 * x * x + 0.05 * wobble;
  const double balance_db = board.balance_db + 0.03 * x + 0.01 * wobble;
  const double phase_deg = board.phase_deg + 0.25 * x + side * 0.08 + 0.05 * wobble;
  record::Point out;
  out.ordinal = ordinal;
  out.step = "/steps/2/do/0";
  out.label = "response";
  // As an engine computes it: a difference of large numbers.
  out.at = {{"rf_hz", rf_hz},
            {"lo_hz", rf_hz - offset_hz},
            {"offset_hz", rf_hz - (rf_hz - offset_hz) + 1e-9 * place},
            {"level_dbm", -40}};
  out.started = at_second(4 + 1.5 * static_cast<double>(ordinal));
  out.finished = at_second(5.4 + 1.5 * static_cast<double>(ordinal));
  out.readings.push_back(reading("if_error", "IF error", "Hz", 3.1 + 1.4 * wobble, 10.2, -25, 25));
  out.readings.push_back(
      reading("conversion_gain", "Conversion gain", "dB", gain_db, 0.62, 9.5 - 0.4 * x * x, 15));
  out.readings.push_back(
      reading("gain_balance", "I/Q gain balance", "dB", balance_db, 0.06, -0.5, 0.5));
  out.readings.push_back(reading("phase_error", "I/Q phase error", "deg", phase_deg, 0.35, -3, 3));
  record::Reading image = reading("image_rejection", "Image rejection", "dB",
                                  image_rejection_db(balance_db, phase_deg), 2.1, 30, std::nullopt);
  image.low = *image.value - 2.4;
  image.high = *image.value + 3.9;
  if (place == 4 && board.phase_deg < 1) {
    image.low = 41.3;
    image.high.reset();
    image.open_above = true;
    image.expanded_u = 0;
  }
  out.readings.push_back(image);
  out.readings.push_back(reading("i_amplitude", "I amplitude, peak", "V",
                                 0.0123 * std::pow(10.0, gain_db / 20), 0.0004, {}, {}));
  if (place >= board.clipped_from && place <= board.clipped_to && offset_hz < 0) {
    for (record::Reading& each : out.readings) {
      each.value.reset();
      each.low.reset();
      each.high.reset();
      each.expanded_u = 0;
      each.reason = "clipped";
      each.detail = "214 of 4000 samples of Q at the end of the converter";
      each.decision = record::Decision::no_reading;
    }
    out.attempts = 3;
    out.notes.push_back("range raised to 500 mV/div, measured again");
  }
  if (place == 0 || place == 13) {
    out.excerpt = excerpt(0.05, balance_db, phase_deg, std::fabs(offset_hz));
  }
  return out;
}

inline record::Run run(const Board& board) {
  constexpr int kPlaces = 26;
  record::Run out;
  record::Header& header = out.header;
  header.run_id = "20261125T030405Z-" + board.serial + "-1a2b";
  header.board = board.serial;
  header.board_type = "heron-30";
  header.board_type_title = "Heron-30, 30 m I/Q receiver";
  header.script = "response";
  header.script_file = "sequences/library/scripts/response.json";
  header.script_sha256 = "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08";
  header.script_text = "{ \"script\": \"response\" }\n";
  header.board_type_text =
      "{ \"board_type\": \"heron-30\", \"cautions\": [\"The op-amp and the switch have different "
      "supplies: check both polarities before power.\"] }";
  header.bench = "workbench";
  header.bench_kind = "instruments";
  header.person = "M. Sandoval";
  header.program_version = "0.1.0";
  header.parameters = {
      {"from", "10.100 MHz"}, {"to", "10.150 MHz"}, {"points", "26"}, {"level", "-40 dBm"}};
  header.instruments = {
      {"generator", "rf_source", "TCPIP::192.0.2.20::5025::SOCKET", "rf-source-scpi",
       "EXAMPLE WORKS,RFS-3,100231,2.11", "2026-03-01", "2027-03-01"},
      {"clock", "lo_source", "TCPIP::192.0.2.21::5025::SOCKET", "lo-source-scpi",
       "EXAMPLE WORKS,CLK-2,100877,1.04", "", ""},
      {"scope", "scope", "TCPIP::192.0.2.22::inst0::INSTR", "scope-waveform",
       "EXAMPLE WORKS,SC-4,55120,07.30", "2026-02-11", "2027-02-11"},
      {"meter", "meter", "USB::0x1234::0x0001::77::INSTR", "meter-scpi",
       "EXAMPLE WORKS,DM-6,8841,3.2", "2025-10-30", "2026-10-30"},
      {"supply", "supply", "TCPIP::192.0.2.24::5025::SOCKET", "supply-scpi",
       "EXAMPLE WORKS,PS-1,4410,1.9", "", ""}};
  header.planned_points = 1 + 2 * kPlaces;
  header.started = at_second(0);
  out.points.push_back(supplies(board));
  for (const double offset_hz : {5e3, -5e3}) {
    for (int place = 0; place < kPlaces; ++place) {
      const double rf_hz = 10.1e6 + 2e3 * place;
      out.points.push_back(response(board, out.points.size(), rf_hz, offset_hz, place));
    }
  }
  out.events.push_back({at_second(0.2), record::Severity::info, "bench-connected",
                        "5 instruments answered, all identities as expected"});
  out.events.push_back(
      {at_second(1), record::Severity::warning, "no-match",
       "the scope channels were not matched: U of gain balance and phase is wider"});
  out.outcome = record::Outcome::complete;
  out.finished = at_second(86.3);
  return out;
}

inline record::Run healthy() {
  return run(Board{.serial = "H30-001"});
}

inline record::Run faulty() {
  record::Run out = run(Board{.serial = "H30-007",
                              .gain_db = 10.4,
                              .balance_db = -1.83,
                              .phase_deg = 5.4,
                              .mid_rail_v = 2.591,
                              .clipped_from = 17,
                              .clipped_to = 19});
  out.events.push_back({at_second(70), record::Severity::trouble, "capture-refused",
                        "three captures at 10.134 MHz were clipped although the range was raised"});
  return out;
}

// Text as a hostile or broken instrument, or a joker at the keyboard, may give it.
inline std::string hostile() {
  return std::string(
             "</script><script>alert(1)</script>\x1b[31m\" onload='x' & ]]> \xff\xc3 \x00 end",
             66) +
         "\u202etxt.exe";
}

}  // namespace nightbench::sample
