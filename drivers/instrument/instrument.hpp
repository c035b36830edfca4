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
  const std::string& name() const { return session_->instrument(); }
  const scpi::Identity& identity() const { return session_->identity(); }
  const Dialect& dialect() const { return dialect_; }
  scpi::Session& session() { return *session_; }

 protected:
  // forget(), when the connection was made anew since the last call.
  void notice_reconnect();
  // Commands of an operation, to be sent later.
  void add(std::vector<std::string>& out, std::string_view operation,
           const Values& values = {}) const;
  // Sends and confirms by *OPC? (where the dialect confirms so) and the error queue. Sending
  // nothing does nothing.
  Awaitable<Result<void>> apply(std::vector<std::string> commands);
  // The answers to the queries of an operation.
  Awaitable<Result<std::vector<std::string>>> ask(std::string operation, Values values = {});
  Awaitable<Result<double>> ask_value(std::string operation, Values values = {});
  // Fails with ErrorKind::device unless `operation`, asked back, differs from `wanted` by at most
  // `resolution`; gives the value read. Without such an operation it gives `wanted`.
  Awaitable<Result<double>> read_back(std::string operation, Values values, double wanted,
                                      double resolution, Unit unit);
  // The same for an on/off state.
  Awaitable<Result<void>> read_back_state(std::string operation, Values values, bool wanted);
  // Values with {channel} filled in when a channel was configured.
  Values own_values() const;
  std::unexpected<Error> trouble(ErrorKind kind, std::string message,
                                 std::string command = {}) const;

  RoleOptions options_;

 private:
  std::unique_ptr<scpi::Session> session_;
  Dialect dialect_;
  int generation_ = 0;
};

}  // namespace nightbench::instrument
