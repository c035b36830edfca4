#include "mock_instruments/board/lo_lines.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

namespace nightbench::mock::board {

namespace {

double wrapped(double x) {
  return x - std::floor(x);
}

void add_crossings(const SelectLine& line, double level_v, std::vector<double>& out) {
  if (!line.running || level_v <= 0.0 || level_v >= line.high_v) return;
  const double shift = (level_v / line.high_v - 0.5) * line.edge;
  out.push_back(wrapped(line.rise + shift));
  out.push_back(wrapped(line.rise + line.duty - shift));
}

// 1 above the dead zone, 0 below it, -1 inside.
int decode(double volts, double threshold_v, double dead_v) {
  if (volts > threshold_v + dead_v) return 1;
  if (volts < threshold_v - dead_v) return 0;
  return -1;
}

}  // namespace

double SelectLine::volts(double period_fraction) const {
  if (!running) return high_v;
  // Distance from the middle of the high part; the wave is symmetric about it.
  const double from_middle = wrapped(period_fraction - rise - duty / 2 + 0.5) - 0.5;
  const double inside = duty / 2 - std::abs(from_middle);  // > 0 inside the half-way points
  if (edge <= 0.0) return inside > 0 ? high_v : 0.0;
  return high_v * std::clamp(0.5 + inside / edge, 0.0, 1.0);
}

SelectLines select_lines(const Assembly& board, const Stimulus& stimulus, double switch_supply_v) {
  const Parameters& values = board.values;
  SelectLines out;
  const bool on = stimulus.lo_on && stimulus.lo_hz > 0.0;
  out.lo_hz = on ? stimulus.lo_hz * (1.0 + 1e-6 * values.lo_frequency_error_ppm) : 0.0;
  const double high_v = stimulus.lo_high_v * values.lo_level_factor;
  for (std::size_t k = 0; k < 2; ++k) {
    SelectLine& line = out.pin[k];
    line.running = on && high_v > 0.0;
    line.high_v = on ? high_v : values.select_pull_up ? switch_supply_v : 0.0;
    const double late_deg = k == 0 ? 0.0 : stimulus.lo_phase_deg + values.lo_phase_error_deg;
    line.rise = wrapped(late_deg / 360.0);
    line.duty = values.lo_duty[k];
    line.edge = values.lo_edge_s * out.lo_hz;
  }
  if (board.lo_swapped) std::swap(out.pin[0], out.pin[1]);
  if (board.lo_in_phase) out.pin[1] = out.pin[0];
  for (std::size_t k = 0; k < 2; ++k) {
    if (board.select_stuck[k].has_value()) {
      out.pin[k].running = false;
      out.pin[k].high_v = *board.select_stuck[k] ? switch_supply_v : 0.0;
    }
  }
  return out;
}

std::vector<Interval> intervals(const SelectLines& lines, double threshold_v, double dead_v) {
  std::vector<double> times{0.0};
  for (const SelectLine& line : lines.pin) {
    add_crossings(line, threshold_v - dead_v, times);
    add_crossings(line, threshold_v + dead_v, times);
  }
  std::ranges::sort(times);
  times.push_back(1.0);

  std::vector<Interval> out;
  for (std::size_t k = 0; k + 1 < times.size(); ++k) {
    const double length = times[k + 1] - times[k];
    if (length <= 1e-12) continue;
    const double middle = times[k] + length / 2;
    const int low_bit = decode(lines.pin[0].volts(middle), threshold_v, dead_v);
    const int high_bit = decode(lines.pin[1].volts(middle), threshold_v, dead_v);
    const int path = low_bit < 0 || high_bit < 0 ? path_none : low_bit + 2 * high_bit;
    if (!out.empty() && out.back().path == path) {
      out.back().fraction += length;
    } else {
      out.push_back({path, times[k], length});
    }
  }
  return out;
}

}  // namespace nightbench::mock::board
