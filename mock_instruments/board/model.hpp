// One board in one condition (faults, temperature, supplies, loads), solved (internal; shows
// Eigen).
#pragma once

#include <vector>

#include "mock_instruments/board/assembly.hpp"
#include "mock_instruments/board/lo_lines.hpp"
#include "mock_instruments/board/power.hpp"
#include "mock_instruments/board/recent.hpp"
#include "mock_instruments/board/steady_state.hpp"
#include "mock_instruments/board/stimulus.hpp"

namespace nightbench::mock::board {

// The steady state for one input frequency under one LO, with what was already asked of it.
class Solution {
 public:
  explicit Solution(SteadyState state) : state_(std::move(state)) {}
  Complex component(int node, int order);
  const Envelope& envelope(int node, int order);
  // Over one LO period. The switch side has edges; an op-amp's output has none.
  static constexpr std::size_t envelope_points = 1024;
  static constexpr std::size_t output_envelope_points = 64;

 private:
  struct Asked {
    int node;
    int order;
    bool operator==(const Asked&) const = default;
  };
  SteadyState state_;
  std::vector<std::pair<Asked, Complex>> components_;
  Recent<Asked, Envelope> envelopes_{8};
};

// What a model is made from, beside the board's parameters and faults.
struct Condition {
  std::uint32_t joints_open = 0;
  int temperature_step = 0;
  PowerState power;
  std::vector<Load> loads;
  StuckOutputs stuck;
  bool operator==(const Condition& other) const;
};

class Model {
 public:
  Model(const Assembly& board, const Condition& condition);

  // dc: all DC sources at their values; otherwise the RF source with an EMF of 1 V.
  Solution& dc(const SelectLines& lines);
  Solution& rf(const SelectLines& lines, double rf_hz);

 private:
  struct LinesKey {
    double lo_hz;
    std::array<std::array<double, 4>, 2> pin;
    bool operator==(const LinesKey&) const = default;
  };
  struct Key {
    LinesKey lines;
    double rf_hz;  // 0 for DC
    bool operator==(const Key&) const = default;
  };
  static LinesKey key_of(const SelectLines& lines);
  Solution& solution(const SelectLines& lines, double rf_hz, bool dc);

  double threshold_v_;
  double dead_v_;
  SwitchedNetwork network_;
  Recent<LinesKey, Cycle> cycles_{2};
  Recent<Key, Solution> solutions_{4};  // DC, the RF and its harmonics
};

}  // namespace nightbench::mock::board
