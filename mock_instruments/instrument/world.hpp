// What the instruments share: the board in place, the wiring, the temperature, and who drives what.
//
// Instruments that feed the board are Sources; those that look at it ask for the board and for the
// stimulus of the moment. Pure state on the clock's thread; time is passed in.
#pragma once

#include <map>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/base/clock.hpp"
#include "drivers/base/error.hpp"
#include "mock_instruments/board/board.hpp"

namespace nightbench::mock::instrument {

// Which port is on which test point. Ports: "scope/1", "meter", "meter/low", "generator", "clock",
// "supply/1". Places: the board's test points, "board_supply" (supply_in), "lo_in" (the LO input),
// "op_amp_vee" and "switch_gnd" (gnd).
class Wiring {
 public:
  // Puts a port on a place; an empty place takes it off. bad_input for an unknown place. "meter"
  // and "meter/1" are one port.
  Result<void> attach(std::string_view port, std::string_view place);
  // A port that reaches `place` while `channel` of the relay instrument `relays` is closed.
  Result<void> route(std::string_view port, std::string_view relays, int channel,
                     std::string_view place);

  std::string place(std::string_view port) const;  // empty when nowhere
  bool is_at(std::string_view port, std::string_view place) const;

  struct Route {
    std::string relays;
    int channel = 0;
    board::TestPoint point = board::TestPoint::gnd;
  };
  std::optional<board::TestPoint> direct(std::string_view port) const;
  // Taken off, and not just never put anywhere: a lead in the air.
  bool taken_off(std::string_view port) const;
  const std::vector<Route>& routes(std::string_view port) const;

 private:
  std::map<std::string, std::string, std::less<>> places_;
  std::map<std::string, std::vector<Route>, std::less<>> routes_;
};

// Something that drives the board.
class Source {
 public:
  virtual ~Source() = default;
  // Fills in its part of the stimulus. Supplies come after all others and may ask the board what
  // current it draws under the rest.
  virtual void drive(board::Stimulus& stimulus, TimePoint now) = 0;
};

class World {
 public:
  explicit World(TimePoint start) : start_(start) {}

  // The board in place; none at the start.
  void place(std::unique_ptr<board::Board> board, std::string serial);
  board::Board* board() { return board_.get(); }
  const std::string& serial() const { return serial_; }
  // Changes whenever another board is put in place.
  std::uint64_t placements() const { return placements_; }

  Wiring wiring;
  double temperature_c = board::reference_temperature_c;
  double rf_path_loss_db = 0.0;

  void add_signal_source(Source& source) { signals_.push_back(&source); }
  void add_supply(Source& source) { supplies_.push_back(&source); }

  // The load that an instrument's port puts on whatever it touches.
  void set_load(std::string_view port, double ohm, double farad);

  // Relay contacts, kept here because they belong to the wiring of other instruments.
  struct Relay {
    bool closed = false;
    TimePoint still_from{};  // bouncing before
  };
  std::map<std::string, std::map<int, Relay>, std::less<>> relays;

  struct Contact {
    board::TestPoint point;
    bool bouncing = false;
  };
  // The test points that a port touches now: by hand, and through closed relays.
  std::vector<Contact> contacts(std::string_view port, TimePoint now) const;

  // Everything that is done to the board now, with the loads of all ports (except `without`, for
  // queries that bring their own load).
  board::Stimulus stimulus(TimePoint now, std::string_view without = {});
  // Time since the start of the world.
  board::Moment moment(TimePoint now) const;

 private:
  struct Load {
    double ohm;
    double farad;
  };
  TimePoint start_;
  std::unique_ptr<board::Board> board_;
  std::string serial_;
  std::uint64_t placements_ = 0;
  std::vector<Source*> signals_;
  std::vector<Source*> supplies_;
  std::map<std::string, Load, std::less<>> loads_;
};

// A quantity that moves from one value to another after it was set: exponentially, exactly there
// after the settling time, 1e-5 of the step away just before.
class Ramp {
 public:
  explicit Ramp(double value = 0.0) : from_(value), to_(value) {}
  void set(double value, TimePoint now, Duration settle);
  double at(TimePoint now) const;
  double target() const { return to_; }
  TimePoint settled() const { return start_ + settle_; }

 private:
  double from_;
  double to_;
  TimePoint start_{};
  Duration settle_{};
};

}  // namespace nightbench::mock::instrument
