// One simulated instrument with its clients: lines in, answers out, troubles on the way.
//
// A service takes byte streams from wherever they come (sockets, memory, pseudo-terminals) and
// serves one at a time, a coroutine each. Transports with messages of their own come in through
// service_device.hpp. All on the clock's io_context thread.
#pragma once

#include <cstdint>
#include <deque>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "drivers/base/clock.hpp"
#include "drivers/link/stream.hpp"
#include "drivers/link/wake.hpp"
#include "mock_instruments/instrument/instrument.hpp"
#include "mock_instruments/server/imposed_time.hpp"
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
  const Troubles& troubles() const { return troubles_; }

  // What clock and instrument live in; every client's coroutine keeps it alive.
  void set_owner(std::weak_ptr<void> owner) { owner_ = std::move(owner); }

  // Takes down what this instrument imposes; `times` lives as long as the owner.
  void set_imposed(ImposedTime* times) { imposed_ = times; }

  // Serves the stream, now or in turn. False, and the stream closed, when the instrument is off or
  // refuses a second client.
  bool admit(std::unique_ptr<link::Stream> stream);
  // Closes every connection and admits no more.
  void stop();

 private:
  friend class ServiceDevice;
  // How an answer leaves the instrument.
  struct Answer {
    bool never = false;
    Duration late{};
    std::optional<Duration> gap;  // between single bytes
    std::optional<std::uint64_t> garbage;
    bool truncated = false;
    std::optional<std::uint64_t> keep;  // bytes of a truncated answer
    std::optional<std::uint64_t> announced;
    std::string terminator = "\n";
  };
  // The instrument runs one message at a time, whichever way it came.
  class Turn {
   public:
    explicit Turn(Service& service) : service_(service) { service_.busy_ = true; }
    ~Turn() {
      service_.busy_ = false;
      service_.idle_.ring();
    }
    Turn(const Turn&) = delete;
    Turn& operator=(const Turn&) = delete;

   private:
    Service& service_;
  };
  // From `began`, when a message was taken, until it has run; and what it set going.
  void impose(TimePoint began, TimePoint ended);
  void next_client();
  static Awaitable<void> serve(std::shared_ptr<Service> self, std::shared_ptr<void> owner,
                               std::shared_ptr<link::Stream> stream);
  Awaitable<bool> handle(link::Stream& stream, std::string line);
  // Waits on the clock and reads on meanwhile; false when the client has gone.
  Awaitable<bool> wait_until(link::Stream& stream, TimePoint when);
  Awaitable<bool> send(link::Stream& stream, std::string response, const Answer& how);
  // What strikes by itself, with no message.
  void strike_now();
  // What strikes before the message runs; false when the connection must go.
  bool strike_before(const std::vector<Trouble>& strikes);
  static Answer plan_answer(const std::vector<Trouble>& strikes);
  std::string spoil(std::string response, const Answer& how);

  std::unique_ptr<instrument::Instrument> instrument_;
  Clock& clock_;
  Troubles troubles_;
  bool refuses_second_;
  ImposedTime* imposed_ = nullptr;
  TimePoint start_;
  TimePoint off_until_{};
  std::vector<std::unique_ptr<Alarm>> moments_;  // of what strikes by itself
  LineBuffer input_;
  std::shared_ptr<link::Stream> serving_;
  std::deque<std::unique_ptr<link::Stream>> waiting_;
  std::weak_ptr<void> owner_;
  link::Wake idle_;
  bool busy_ = false;
  bool stopped_ = false;
};

}  // namespace nightbench::mock::server
