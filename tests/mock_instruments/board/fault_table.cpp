#include "fault_table.hpp"

#include <array>
#include <cmath>
#include <cstdio>
#include <numbers>
#include <vector>

#include "fault_examples.hpp"
#include "mock_instruments/board/board.hpp"
#include "wave_fit.hpp"

namespace nightbench::mock::board::test {

namespace {

template <typename... Numbers>
std::string text(const char* format, Numbers... numbers) {
  std::array<char, 64> buffer{};
  std::snprintf(buffer.data(), buffer.size(), format, numbers...);
  return buffer.data();
}

// No "-0" in a document.
double plain(double x, double step) {
  return std::round(x / step) * step + 0.0;
}

std::string volts(double v) {
  return text("%.2f", plain(v, 0.01));
}

// An angle to whole degrees in (-180, 180].
std::string angle(double deg) {
  const double whole = plain(apart_deg(deg, 0), 1.0);
  return text("%.0f", whole <= -180.0 ? 180.0 : whole);
}

std::string ohms(double ohm) {
  if (ohm >= Board::open_ohm) return "open";
  if (ohm >= 1e6) return text("%.1f M", ohm / 1e6);
  if (ohm >= 1e3) return text("%.1f k", ohm / 1e3);
  return text("%.1f", ohm);
}

std::string millivolts(std::complex<double> phasor) {
  return text("%.1f", plain(std::abs(phasor) * 1e3, 0.1));
}

using Row = std::vector<std::string>;

std::string line(const Row& cells) {
  std::string out = "|";
  for (const std::string& cell : cells) out += " " + cell + " |";
  return out + "\n";
}

template <typename Cells>
std::string table(const Row& head, Cells cells) {
  std::string out = line(head) + line(Row(head.size(), "---"));
  for (const FaultExample& example : fault_examples()) {
    Board board = Board::make(healthy_30m(), example.faults).value();
    Row row{example.title};
    for (std::string& cell : cells(board)) row.push_back(std::move(cell));
    out += line(row);
  }
  return out;
}

// RF 10.125 MHz at -40 dBm, LO 10.120 MHz; ten periods of the IF as a scope takes them.
Row outputs(Board& board) {
  const Stimulus stimulus;
  const std::array points{TestPoint::i_out, TestPoint::q_out};
  const auto waves = board.waveform(stimulus, points, {}, 1e-6, 2000);
  const auto i = fit(waves[0], 1e6, 5e3).phasor;
  const auto q = fit(waves[1], 1e6, 5e3).phasor;
  const bool both = std::abs(i) > 2e-3 && std::abs(q) > 2e-3;
  const IqResponse response = board.iq_response(stimulus);
  return {text("%.3f", plain(std::abs(i), 0.001)),
          text("%.3f", plain(std::abs(q), 0.001)),
          both ? angle(degrees(q / i)) : "",
          both ? text("%.1f", plain(db(std::abs(q / i)), 0.1)) : "",
          volts(board.dc_volts(stimulus, TestPoint::i_out)),
          volts(board.dc_volts(stimulus, TestPoint::q_out)),
          std::string(response.i_clipped || response.q_clipped ? "yes" : "")};
}

// Cells "mV / degrees after the first"; the phase is left out where one of the two is dead.
Row relative(const std::vector<std::vector<double>>& waves, double rate_hz, double hz,
             double dead_v, const char* format) {
  Row out;
  std::complex<double> first;
  for (const auto& wave : waves) {
    const auto phasor = fit(wave, rate_hz, hz).phasor;
    if (out.empty()) first = phasor;
    const bool both = std::abs(phasor) > dead_v && std::abs(first) > dead_v;
    std::string cell = text(format, std::abs(phasor) * 1e3);
    if (both && !out.empty()) cell += " / " + angle(degrees(phasor / first));
    out.push_back(cell);
  }
  return out;
}

// At the IF of 5 kHz, RF at -40 dBm.
Row capacitors_and_inputs(Board& board) {
  const Stimulus stimulus;
  using enum TestPoint;
  const std::array points{cap_0, cap_90, cap_180, cap_270, i_plus, i_minus, q_plus, q_minus};
  return relative(board.waveform(stimulus, points, {}, 1e-6, 2000), 1e6, 5e3, 0.05e-3, "%.2f");
}

Row supplies(Board& board) {
  const Stimulus stimulus;
  const SupplyPoint limited = board.supply_point(stimulus, 0.1);
  Row out{volts(board.dc_volts(stimulus, TestPoint::op_amp_supply)),
          volts(board.dc_volts(stimulus, TestPoint::switch_supply)),
          volts(board.dc_volts(stimulus, TestPoint::mid_rail)),
          text("%.0f", plain(board.supply_current_a(stimulus) * 1e3, 1)),
          std::string(limited.limited ? "yes" : "")};
  for (const TestPoint point : {TestPoint::lo_0, TestPoint::lo_90}) {
    out.push_back(volts(board.dc_volts(stimulus, point)));
  }
  return out;
}

// Splitter ends with nothing powered, RF 10.225 MHz at -16 dBm; the LO pins powered.
Row splitter_and_lo(Board& board) {
  Stimulus stimulus;
  stimulus.rf_hz = 10.225e6;
  stimulus.lo_hz = 10.125e6;
  stimulus.rf_dbm = -16;
  const std::array lo{TestPoint::lo_0, TestPoint::lo_90};
  const auto lo_waves = board.waveform(stimulus, lo, {}, 2e-9, 10000);
  const auto first = fit(lo_waves[0], 500e6, stimulus.lo_hz).phasor;
  const auto second = fit(lo_waves[1], 500e6, stimulus.lo_hz).phasor;
  const std::array ends{TestPoint::splitter_phase, TestPoint::splitter_antiphase};
  const auto powered = board.waveform(stimulus, ends, {}, 2e-9, 10000);
  const auto powered_7 = fit(powered[0], 500e6, stimulus.rf_hz).phasor;
  const auto powered_9 = fit(powered[1], 500e6, stimulus.rf_hz).phasor;
  stimulus.supply_on = false;
  stimulus.lo_on = false;
  const auto waves = board.waveform(stimulus, ends, {}, 2e-9, 10000);
  const auto phase = fit(waves[0], 500e6, stimulus.rf_hz).phasor;
  const auto antiphase = fit(waves[1], 500e6, stimulus.rf_hz).phasor;
  const bool both_lo = std::abs(first) > 0.1 && std::abs(second) > 0.1;
  const bool both = std::abs(phase) > 1e-3 && std::abs(antiphase) > 1e-3;
  return {text("%.2f", plain(std::abs(first), 0.01)),
          text("%.2f", plain(std::abs(second), 0.01)),
          both_lo ? angle(degrees(second / first)) : "",
          millivolts(phase),
          millivolts(antiphase),
          both ? angle(degrees(antiphase / phase)) : "",
          millivolts(powered_7),
          millivolts(powered_9)};
}

// The eight switch outputs at the IF of 100 kHz, RF at -16 dBm: millivolts, and degrees after
// pin 6.
Row switch_outputs(Board& board) {
  Stimulus stimulus;
  stimulus.rf_hz = 10.225e6;
  stimulus.lo_hz = 10.125e6;
  stimulus.rf_dbm = -16;
  const std::array pins{TestPoint::sw_6, TestPoint::sw_13, TestPoint::sw_5, TestPoint::sw_12,
                        TestPoint::sw_3, TestPoint::sw_10, TestPoint::sw_4, TestPoint::sw_11};
  const auto waves = board.waveform(stimulus, pins, {}, 2e-9, 10000);
  return relative(waves, 500e6, 100e3, 1e-3, "%.1f");
}

Row resistances(Board& board) {
  using enum TestPoint;
  Row out;
  for (const auto& [a, b] : {std::pair{sw_6, sw_13},
                             {sw_5, sw_12},
                             {sw_3, sw_10},
                             {sw_4, sw_11},
                             {sw_5, sw_11},
                             {sw_5, cap_90},
                             {sw_3, cap_180},
                             {splitter_phase, splitter_antiphase},
                             {splitter_phase, sw_6},
                             {cap_90, gnd},
                             {supply_in, gnd},
                             {switch_supply, gnd},
                             {mid_rail, gnd}}) {
    out.push_back(ohms(board.ohms(a, b)));
  }
  return out;
}

}  // namespace

std::string fault_document() {
  std::string out =
      "# What each fault does at each test point\n\n"
      "Computed from the simulated board (30 m, parts at nominal values, supply 10 V) and kept "
      "true "
      "by\n`tests/mock_instruments/board/fault_table_test.cpp`; how the board is computed is in\n"
      "`docs/explanation/simulated-board.md`. Amplitudes are peak values of the fundamental, "
      "phases "
      "in\ndegrees. An empty phase means that one of the two is dead. Where a column has not "
      "moved, "
      "that\nfault cannot be seen there.\n\n"
      "## Outputs\n\nRF 10.125 MHz, -40 dBm, LO 10.120 MHz. Offsets are means as a meter reads "
      "them.\n\n";
  out +=
      table({"fault", "I V", "Q V", "Q less I deg", "Q/I dB", "I offset V", "Q offset V", "clips"},
            outputs);
  out +=
      "\n## Supplies, bias, LO levels\n\nMeans in volts; current into the supply input in mA; "
      "\"trips\" says whether a supply\nlimited to 100 mA trips. A select pin with a good LO reads "
      "half of the LO's level.\n\n";
  out += table({"fault", "op-amp supply", "switch supply", "mid-rail", "current mA", "trips",
                "pin 14", "pin 2"},
               supplies);
  out +=
      "\n## LO pins, splitter ends\n\nFundamental at the select pins in volts; splitter ends at "
      "the RF (10.225 MHz, -16 dBm)\nin mV, on the unpowered board, where they are clean, then "
      "powered, with the switch's staircase on them.\n\n";
  out += table({"fault", "pin 14 V", "pin 2 V", "2 less 14", "pin 7 mV", "pin 9 mV", "9 less 7",
                "7 powered mV", "9 powered mV"},
               splitter_and_lo);
  out +=
      "\n## Switch outputs\n\nComponent at the IF of 100 kHz in mV / degrees after pin 6; RF "
      "10.225 MHz, -16 dBm, LO 10.125 MHz.\n\n";
  out += table({"fault", "6", "13", "5", "12", "3", "10", "4", "11"}, switch_outputs);
  out +=
      "\n## Sampling capacitors, op-amp inputs\n\nComponent at the IF of 5 kHz in mV / degrees "
      "after the 0 degree capacitor; RF 10.125 MHz,\n-40 dBm, LO 10.120 MHz.\n\n";
  out += table({"fault", "C 0", "C 90", "C 180", "C 270", "I+", "I-", "Q+", "Q-"},
               capacitors_and_inputs);
  out += "\n## Resistances, unpowered\n\nOhms between pins or to ground.\n\n";
  out += table({"fault", "6-13", "5-12", "3-10", "4-11", "5-11", "5-C 90", "3-C 180", "7-9", "7-6",
                "C 90", "supply in", "switch supply", "mid-rail"},
               resistances);
  return out;
}

}  // namespace nightbench::mock::board::test
