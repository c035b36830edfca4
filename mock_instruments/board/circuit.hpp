// From an assembled board to its linear network (internal; shows Eigen).
#pragma once

#include <array>
#include <optional>
#include <vector>

#include "mock_instruments/board/assembly.hpp"
#include "mock_instruments/board/network.hpp"
#include "mock_instruments/board/power.hpp"
#include "mock_instruments/board/stimulus.hpp"

namespace nightbench::mock::board {

// Nodes. Ground is -1.
enum Node : int {
  node_rf_in,
  node_filter_1,  // between the first inductor and its capacitor
  node_filter_2,  // shunt circuit
  node_filter_3,  // between the third inductor and its capacitor
  node_primary,
  node_centre_tap,
  node_phase,                      // switch pin 7
  node_antiphase,                  // switch pin 9
  node_pin,                        // eight switch outputs in the order of switch_pins
  node_path = node_pin + 8,        // four, before the path resistance
  node_capacitor = node_path + 4,  // four
  node_plus = node_capacitor + 4,  // I, Q
  node_minus = node_plus + 2,
  node_gain = node_minus + 2,  // inside the op-amp
  node_out = node_gain + 2,
  node_count = node_out + 2,
};

// Inputs: the source's EMF, and DC: mid-rail source, op-amp offsets or stuck outputs (I, Q).
enum Input : int { input_rf, input_bias, input_stage, input_count = input_stage + 2 };

// An op-amp output that a rail holds all the time: it no longer amplifies.
using StuckOutputs = std::array<std::optional<double>, 2>;

struct Circuit {
  Network network;
  // Closed switch path -> conductances of all eight switches; the last is all open.
  std::array<std::vector<Network::Conductance>, 5> paths;
  std::array<double, input_count> dc{};  // volts of the DC inputs; 0 for the RF
};

Circuit build_circuit(const Assembly& board, const PowerState& power,
                      const std::vector<Load>& loads, const StuckOutputs& stuck);

// The node of a test point; nothing for supplies, select pins and ground.
std::optional<int> node_of(TestPoint point);

// The filter's design: series inductor and capacitor, shunt inductor and capacitor.
struct FilterDesign {
  double series_henry;
  double series_farad;
  double shunt_henry;
  double shunt_farad;
};
FilterDesign filter_design(const Parameters& values);

}  // namespace nightbench::mock::board
