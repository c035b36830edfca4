// What all roles have in common: a session, a dialect, and operations said and confirmed through
// them.
//
// One operation at a time, from the clock's io_context thread. Errors of every role: those of
// scpi::Session (timeout, refused, device, bad_data, cancelled), with instrument and command filled
// in.
#pragma once

#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/instrument/dialect.hpp"
#include "drivers/scpi/session.hpp"

namespace nightbench::instrument {

struct RoleOptions {
  std::optional<Duration> settle;  // instead of the dialect's
  std::string identity;            // regular expression that *IDN? must match; "" for any
  std::optional<int> channel;      // output of an instrument with several
};

class Instrument {
 public:
  Instrument(std::unique_ptr<scpi::Session> session, Dialect dialect, RoleOptions options = {});
  virtual ~Instrument() = default;
  Instrument(const Instrument&) = delete;
  Instrument& operator=(const Instrument&) = delete;

  // Connects, checks the identity (bad_input when it does not match), forgets the known state and
  // sends the dialect's `setup`.
  Awaitable<Result<void>> open();
  // Puts the instrument in the state of least harm: outputs off, relays open. Nothing for those
  // that drive nothing. Never skipped, whatever the known state.
  virtual Awaitable<Result<void>> make_safe();
  // The state of the instrument is not known any more: the next setting is sent whole.
  virtual void forget() {}

  // Time after a change before the output or measurement can be trusted.
  Duration settle() const { return options_.settle.value_or(dialect_.settle()); }
  // When that has passed since the last commands were obeyed.
  TimePoint settled_at() const { return obeyed_ + settle(); }
  const std::string& name() const { return session_->instrument(); }
  const scpi::Identity& identity() const { return session_->identity(); }
  const Dialect& dialect() const { return dialect_; }
  scpi::Session& session() { return *session_; }

 protected:
  // In step and set up: after a new connection (or a power-on report) the known state is forgotten
  // and the dialect's `setup` sent again. First thing of every operation but those that switch off.
  Awaitable<Result<void>> begin();
  // Commands of an operation, to be sent later; `select` first, when a channel was configured.
  void add(std::vector<std::string>& out, std::string_view operation,
           const Values& values = {}) const;
  void add_select(std::vector<std::string>& out) const;
  // Sends and confirms by *OPC? (where the dialect confirms so) and the error queue. Sending
  // nothing does nothing.
  Awaitable<Result<void>> apply(std::vector<std::string> commands);
  // Sends an operation that switches something off, whatever the known state, and once more when it
  // may not have been heard; then asks `state` (where the dialect has it), which decides: every
  // answer must be 0.
  Awaitable<Result<void>> switch_off(std::string operation, std::string state, Values state_values);
  // The answers to the queries of an operation.
  Awaitable<Result<std::vector<std::string>>> ask(std::string operation, Values values = {});
  // The answer to an operation with one query, as a usable number.
  Awaitable<Result<double>> ask_value(std::string operation, Values values = {});
  // Fails with ErrorKind::device unless every answer to `operation` differs from `wanted` by at
  // most `resolution`; gives the first. Without such an operation, or when the dialect does not
  // confirm by reading back, it gives `wanted`. Angles are compared modulo 360 degrees.
  Awaitable<Result<double>> read_back(std::string operation, double wanted, double resolution,
                                      Unit unit);
  // The same for an on/off state.
  Awaitable<Result<void>> read_back_state(std::string operation, Values values, bool wanted);
  // An error of this instrument; bad_data also makes the session resynchronise before it goes on.
  std::unexpected<Error> trouble(ErrorKind kind, std::string message, std::string command = {});

  RoleOptions options_;

 private:
  Awaitable<Result<void>> compare_state(std::string operation, Values values, bool wanted);

  std::unique_ptr<scpi::Session> session_;
  Dialect dialect_;
  int generation_ = 0;  // of the session when it was last set up
  TimePoint obeyed_{};  // the latest that the last commands can have been carried out
};

}  // namespace nightbench::instrument
