// The physics of one simulated receiver board: what every probe, meter and supply would see.
//
// Steady state of a linear network whose switch paths change several times per LO period, solved
// exactly (docs/explanation/simulated-board.md); op-amp rails are a clip of the outputs. Nothing
// settles: a query sees the board long after the stimulus was set. Volts, amperes, ohms, hertz.
//
// Deterministic: the same board, stimulus and moment give the same bits. Results are cached inside,
// so one Board belongs to one thread at a time; different boards are independent.
#pragma once

#include <complex>
#include <cstddef>
#include <memory>
#include <span>
#include <vector>

#include "drivers/base/error.hpp"
#include "mock_instruments/board/fault.hpp"
#include "mock_instruments/board/parameters.hpp"
#include "mock_instruments/board/stimulus.hpp"
#include "mock_instruments/board/test_point.hpp"

namespace nightbench::mock::board {

// I and Q at the IF: volts y(t) = offset + Re(phasor exp(j 2 pi |if_hz| t)), t from the start of
// the run, before the rails clip.
struct IqResponse {
  double if_hz = 0.0;  // rf - order * lo, signed; 0 when the LO or the RF is off
  int order = 1;       // of the LO's harmonic nearest to the RF
  std::complex<double> i_v;
  std::complex<double> q_v;
  double i_offset_v = 0.0;
  double q_offset_v = 0.0;
  bool i_clipped = false;
  bool q_clipped = false;
};

// Where a current-limited supply ends up with this board on it.
struct SupplyPoint {
  double volts = 0.0;
  double amperes = 0.0;
  bool limited = false;
};

class Board {
 public:
  // bad_input when a fault's numbers make no sense.
  static Result<Board> make(const Parameters& parameters, std::vector<Fault> faults = {});
  Board(Board&&) noexcept;
  Board& operator=(Board&&) noexcept;
  ~Board();

  const Parameters& parameters() const;
  std::span<const Fault> faults() const;

  // Volts at t0, t0 + dt, ...; one vector of n per test point, all on the same time base. Any rate.
  std::vector<std::vector<double>> waveform(const Stimulus& stimulus,
                                            std::span<const TestPoint> points, Moment t0,
                                            double dt_s, std::size_t n);

  IqResponse iq_response(const Stimulus& stimulus, Moment when = {});

  // Mean volts with a meter of load_ohm to ground at the point.
  double dc_volts(const Stimulus& stimulus, TestPoint point, double load_ohm = 10e6,
                  Moment when = {});

  // Resistance between two points with nothing powered, up to open_ohm ("no connection").
  double ohms(TestPoint a, TestPoint b, double celsius = reference_temperature_c, Moment when = {});
  static constexpr double open_ohm = 1e9;

  // Current into a rail at the stimulus's supply volts, and the point a limited supply settles at.
  double supply_current_a(const Stimulus& stimulus, Rail rail = Rail::supply_in, Moment when = {});
  SupplyPoint supply_point(const Stimulus& stimulus, double limit_a, Moment when = {});

  // Noise density at an output or test point (V per root Hz): in its pass band, and the corner of
  // the one-pole filter that shapes it. noise.hpp turns it into samples.
  struct Noise {
    double v_per_rthz = 0.0;
    double corner_hz = 0.0;
  };
  Noise noise(const Stimulus& stimulus, TestPoint point);

 private:
  struct State;
  explicit Board(std::unique_ptr<State> state);
  std::unique_ptr<State> state_;
};

}  // namespace nightbench::mock::board
