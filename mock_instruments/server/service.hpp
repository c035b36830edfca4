// One simulated instrument with its clients: lines in, answers out, troubles on the way.
//
// A service takes byte streams from wherever they come (sockets, memory) and serves one at a time,
// a coroutine each. All on the clock's io_context thread.
#pragma once

#include <cstdint>
#include <deque>
#include <memory>
#include <string>

#include "drivers/base/clock.hpp"
#include "drivers/link/stream.hpp"
#include "mock_instruments/instrument/instrument.hpp"
#include "mock_instruments/server/trouble.hpp"

namespace nightbench::mock::server {

// Bytes of a client, cut into lines at NL, bounded.
class LineBuffer {
 public:
  static constexpr std::size_t most = 65'536;  // bytes that wait

  // Takes what fits; a line that does not is thrown away up to its NL.
  void append(std::string_view bytes);
  // The next whole line without its NL.
  bool take(std::string& line);
  // Whether a line was thrown away since the last call.
  bool take_overrun();
  bool full() const { return bytes_.size() >= most; }
  void clear();

 private:
  std::string bytes_;
  bool discarding_ = false;
  bool overrun_ = false;
};

class Service : public std::enable_shared_from_this<Service> {
 public:
  Service(std::unique_ptr<instrument::Instrument> instrument, Clock& clock, Troubles troubles,
          bool refuses_second);

  instrument::Instrument& instrument() { return *instrument_; }
  const std::string& name() const { return instrument_->name(); }
  std::uint64_t messages() const { return troubles_.messages(); }

  // What clock and instrument live in; every client's coroutine keeps it alive.
  void set_owner(std::weak_ptr<void> owner) { owner_ = std::move(owner); }

  // Serves the stream, now or in turn. False, and the stream closed, when the instrument is off or
  // refuses a second client.
  bool admit(std::unique_ptr<link::Stream> stream);
  // Closes every connection and admits no more.
  void stop();

 private:
  struct Answer;
  void next_client();
  static Awaitable<void> serve(std::shared_ptr<Service> self, std::shared_ptr<void> owner,
                               std::shared_ptr<link::Stream> stream);
  Awaitable<bool> handle(link::Stream& stream, std::string line);
  // Waits on the clock and reads on meanwhile; false when the client has gone.
  Awaitable<bool> wait_until(link::Stream& stream, TimePoint when);
  Awaitable<bool> send(link::Stream& stream, std::string response, const Answer& how);
  // What strikes before the message runs; false when the connection must go.
  bool strike_before(const std::vector<Trouble>& strikes);
  static Answer plan_answer(const std::vector<Trouble>& strikes);
  std::string spoil(std::string response, const Answer& how);

  std::unique_ptr<instrument::Instrument> instrument_;
  Clock& clock_;
  Troubles troubles_;
  bool refuses_second_;
  TimePoint start_;
  TimePoint off_until_{};
  LineBuffer input_;
  std::shared_ptr<link::Stream> serving_;
  std::deque<std::unique_ptr<link::Stream>> waiting_;
  std::weak_ptr<void> owner_;
  bool stopped_ = false;
};

}  // namespace nightbench::mock::server
