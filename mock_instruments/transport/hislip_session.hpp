// One client's session on the server's side: two channels, three coroutines (what comes on each
// channel, and the device's work), and the rules of IVI-6.1 between them.
#pragma once

#include <cstdint>
#include <deque>
#include <functional>
#include <memory>
#include <optional>
#include <string>

#include "drivers/link/hislip/channel.hpp"
#include "drivers/link/wake.hpp"
#include "mock_instruments/transport/hislip_server.hpp"

namespace nightbench::mock::transport {

// The lock of a device (clause 6.5): one exclusive holder, or several who share a string.
class HislipLock {
 public:
  explicit HislipLock(Clock& clock) : changed(clock) {}
  bool can_take(std::uint16_t session, const std::string& shared_by) const;
  void take(std::uint16_t session, const std::string& shared_by);
  // 1 exclusive released, 2 shared released, 3 none held: the control code of the response.
  std::uint8_t release(std::uint16_t session);
  bool holds(std::uint16_t session) const;
  // Whether somebody else's lock stands in the way of this session's messages.
  bool bars(std::uint16_t session) const;
  bool exclusive() const { return exclusive_.has_value(); }
  std::size_t holders() const { return shared_.size() + (exclusive_ ? 1 : 0); }
  link::Wake changed;

 private:
  std::optional<std::uint16_t> exclusive_;
  std::deque<std::uint16_t> shared_;
  std::string string_;
};

class HislipSession : public std::enable_shared_from_this<HislipSession> {
 public:
  using Channel = link::hislip::Channel;
  using Header = link::hislip::Header;
  using Message = link::hislip::Message;

  HislipSession(std::uint16_t id, std::shared_ptr<Device> device, std::shared_ptr<HislipLock> lock,
                const HislipServerOptions& options, Clock& clock);

  std::uint16_t id() const { return id_; }
  // Takes the channels over and starts serving; `ended` is called once when the session is over.
  void start_sync(std::shared_ptr<Channel> channel, std::function<void()> ended);
  void start_async(std::shared_ptr<Channel> channel);
  bool has_async() const { return async_ != nullptr; }
  void close();
  void request_service();
  // FatalError on both channels, then closed.
  Awaitable<void> die(link::hislip::Fatal code, std::string text);

 private:
  struct Input {
    std::string message;
    std::uint32_t id = 0;
    bool trigger = false;
  };

  static Awaitable<void> read_sync(std::shared_ptr<HislipSession> self);
  static Awaitable<void> read_async(std::shared_ptr<HislipSession> self);
  static Awaitable<void> work(std::shared_ptr<HislipSession> self);
  static Awaitable<void> wait_for_lock(std::shared_ptr<HislipSession> self, std::string shared_by,
                                       std::uint32_t timeout_ms);

  // The three return false when the session is over.
  Awaitable<bool> take_sync(Header header);
  Awaitable<bool> take_data(Header header);
  Awaitable<bool> take_async(Message message);
  Awaitable<bool> finish_clear(Header header);
  Awaitable<bool> respond(std::string response, std::uint32_t id);
  Awaitable<bool> interrupt(std::uint32_t id);
  void note_message(const Header& header);
  std::uint8_t status(const Header& query);

  // One message at a time on a channel, whoever sends it.
  Awaitable<bool> send(bool async, Header header, std::string_view payload);
  bool new_input() const { return !inputs_.empty() || !partial_.empty(); }

  std::uint16_t id_;
  std::shared_ptr<Device> device_;
  std::shared_ptr<HislipLock> lock_;
  const HislipServerOptions options_;
  Clock& clock_;
  link::Wake changed_;
  std::shared_ptr<Channel> sync_;
  std::shared_ptr<Channel> async_;
  std::function<void()> ended_;
  bool open_ = true;
  bool sending_[2] = {false, false};

  bool overlap_;
  std::uint64_t client_most_ = 1U << 20;
  std::deque<Input> inputs_;
  std::string partial_;      // of the program message under way
  bool discarding_ = false;  // it has grown too long
  std::uint32_t last_id_ = 0;
  std::uint32_t partial_id_ = 0;
  std::uint32_t next_id_ = 0xFFFFFF00;  // overlap mode
  bool clearing_ = false;
  std::uint64_t clears_ = 0;
  bool taking_ = false;       // the device runs one of our messages
  bool output_ = false;       // a response is being sent
  bool void_output_ = false;  // and the client wants no more of it
  bool rmt_expected_ = false;
  bool service_requested_ = false;
};

}  // namespace nightbench::mock::transport
