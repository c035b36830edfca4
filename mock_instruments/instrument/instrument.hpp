// The common part of every simulated instrument: one message after another through the parser and
// the command tree, IEEE 488.2 common commands, status, and how long things take.
//
// No I/O and no waiting in here: run() says when it wants to be called again, and whoever serves
// the instrument waits on the clock. Deterministic from the seed and the order and times of calls.
#pragma once

#include <cstdint>
#include <optional>
#include <string>

#include "drivers/base/clock.hpp"
#include "mock_instruments/board/noise.hpp"
#include "mock_instruments/instrument/command_tree.hpp"
#include "mock_instruments/instrument/status.hpp"
#include "mock_instruments/instrument/world.hpp"

namespace nightbench::mock::instrument {

struct Identity {
  std::string maker = "NIGHTBENCH";
  std::string model;
  std::string serial = "0";
  std::string firmware = "1.0";
};

// How long an instrument takes. `settle` is the instrument's own: RF and LO level and frequency, a
// supply's soft start, a relay's bounce, a scope's front end, a meter's range change.
struct Latency {
  Duration command{};             // every message unit
  Duration query{};               // more, for a query
  double bytes_per_second = 0.0;  // of block transfers; 0: no time
  Duration settle{};
  bool acquires = false;  // captures and conversions take their time
  double scale = 1.0;     // of all of the above

  static Latency instant() { return {}; }
  // Common bench equipment on a local network (common practice, no source).
  static Latency typical(Duration settle);
  Duration scaled(Duration span) const;
  Duration transfer(std::size_t bytes) const;
};

struct Setup {
  std::string name;  // in the bench file
  Identity identity;
  Latency latency;
  std::uint64_t seed = 1;
};

class Instrument {
 public:
  Instrument(World& world, Setup setup);
  virtual ~Instrument() = default;
  Instrument(const Instrument&) = delete;
  Instrument& operator=(const Instrument&) = delete;

  const std::string& name() const { return setup_.name; }

  // Takes one program message (without its terminator). The one before must be done.
  void begin(std::string message, TimePoint now);
  struct Progress {
    bool done = false;
    TimePoint again{};  // call run() again at this moment; TimePoint::max(): never by itself
  };
  // Runs what is due. When done, take_response() holds the answer.
  Progress run(TimePoint now);
  bool busy() const { return parser_.has_value(); }
  // When the last overlapped operation ends; TimePoint::max(): never by itself.
  TimePoint operations_end() const { return operation_until_; }
  // The response message without terminator; nothing when no query was answered.
  std::optional<std::string> take_response();

  // Message exchange of IEEE 488.2 chapter 6, for transports that see it: a new message before the
  // response was read (-410), asked to talk with nothing to say (-420), both buffers full (-430).
  void interrupted() { status_.push({-410, ""}); }
  void unterminated() { status_.push({-420, ""}); }
  void deadlocked() { status_.push({-430, ""}); }
  // Input longer than the buffer (-363).
  void overrun() { status_.push({-363, ""}); }
  // Both buffers empty, *OPC and *WAI forgotten; settings, status and what was begun stay (IEEE
  // 488.2, 5.8).
  void device_clear();
  // `waiting`: the transport has taken a response that nobody has read yet.
  std::uint8_t status_byte(bool waiting = false) const {
    return status_.byte(waiting || response_.has_value());
  }

  // As after switching the mains on: settings, status and queue anew.
  void power_on(TimePoint now);
  // Trouble on demand.
  void push_error(int number, std::string detail) { status_.push({number, std::move(detail)}); }
  void never_complete() { operation_until_ = TimePoint::max(); }
  void set_identity(Identity identity) { setup_.identity = std::move(identity); }
  const Identity& identity() const { return setup_.identity; }

 protected:
  // *RST: settings only. Called at power-on too.
  virtual void reset(TimePoint now) = 0;
  // Brings conditions up to date before each unit.
  virtual void update(TimePoint) {}
  // ABORt and the like, before *RST and at power-on.
  virtual void stop_operations() {}
  // More than *RST: what only switching off forgets.
  virtual void restart() {}
  // What stands before a response when headers are on (":CURVE "); usually nothing.
  virtual std::string response_prefix(const Header&) { return {}; }
  // *TST?
  virtual int self_test() { return 0; }

  // An overlapped operation that ends at `until`: *OPC, *OPC? and *WAI wait for the last one.
  void operate_until(TimePoint until) { operation_until_ = std::max(operation_until_, until); }
  void end_operations(TimePoint now) { operation_until_ = std::min(operation_until_, now); }
  const Latency& latency() const { return setup_.latency; }
  Duration settle() const { return setup_.latency.scaled(setup_.latency.settle); }

  World& world_;
  CommandTree tree_;
  Status status_;
  board::Random random_;

 private:
  void add_common();
  void add_status(const std::string& name, StatusRegister& which);
  void step(const MessageUnit& unit, TimePoint now);
  void end_message() { parser_.reset(); }

  Setup setup_;
  std::optional<MessageParser> parser_;
  std::optional<std::string> response_;
  bool arbitrary_ = false;  // *IDN? was answered: no further query in this message
  bool opc_pending_ = false;
  TimePoint busy_until_{};
  TimePoint operation_until_{};
};

}  // namespace nightbench::mock::instrument
