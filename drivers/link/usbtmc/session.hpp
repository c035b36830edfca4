// USBTMC as the client holds it between claiming an interface and giving it back: tags, transfers
// under way, what must be mended after a time-out. The layer under UsbtmcLink.
#pragma once

#include <cstdint>
#include <memory>
#include <optional>
#include <string>
#include <string_view>

#include "drivers/link/link.hpp"
#include "drivers/link/usbtmc/message.hpp"
#include "drivers/link/usbtmc/pipes.hpp"
#include "drivers/link/wake.hpp"

namespace nightbench::link::usbtmc {

struct Options {
  // The most bytes asked for in one REQUEST. Devices with small buffers need a small one (64),
  // devices that answer one REQUEST a message need one larger than the longest answer.
  std::uint32_t request_most = std::uint32_t{1} << 20;
  // A device clear at connect; some devices are upset by it.
  bool clear_at_open = true;
  // Answers must carry the tag of their REQUEST; some devices get it wrong.
  bool check_tags = true;
};

class Session : public std::enable_shared_from_this<Session> {
 public:
  Session(std::shared_ptr<Pipes> pipes, Clock& clock, Options options)
      : pipes_(std::move(pipes)), clock_(clock), options_(options), news_(clock) {}

  // Capabilities, device clear as the options say, and the interrupt pipe from then on.
  Awaitable<Result<void>> begin(TimePoint deadline);
  Awaitable<Result<void>> write(std::string_view message, TimePoint deadline);
  Awaitable<Result<Chunk>> read(std::size_t most, TimePoint deadline);
  Awaitable<Result<void>> clear(TimePoint deadline);
  Awaitable<Result<std::uint8_t>> status(TimePoint deadline);
  Awaitable<Result<void>> trigger(TimePoint deadline);
  // REN_CONTROL (true: assert remote enable), GO_TO_LOCAL, LOCAL_LOCKOUT.
  Awaitable<Result<void>> remote_local(Request request, bool on, TimePoint deadline);

  void close();
  bool is_open() const { return open_; }
  const Capabilities& capabilities() const { return capabilities_; }
  std::optional<std::uint8_t> take_service_request() {
    return std::exchange(service_request_, std::nullopt);
  }

 private:
  struct Asked {  // a REQUEST under way
    std::uint8_t tag = 0;
    bool begun = false;           // its header has come
    std::uint32_t remaining = 0;  // payload that is still to come
    bool end = false;             // the message ends behind it
  };

  struct Pulled : Transfer {
    bool ended = false;  // by a short packet
  };

  static Awaitable<void> listen(std::shared_ptr<Session> self);
  void hear(std::string_view packet);
  void lose(Error why);
  std::unexpected<Error> failed(const Transfer& transfer, const char* what);
  std::unexpected<Error> cut_off(const char* what);

  Awaitable<Transfer> control(Request request, std::uint8_t type, std::uint16_t value,
                              std::uint16_t length, TimePoint deadline);
  Awaitable<Result<void>> send(std::string bytes, std::uint8_t tag, TimePoint deadline);
  Awaitable<Result<void>> ask(TimePoint deadline);
  Awaitable<Pulled> pull(std::size_t room, TimePoint deadline);
  Awaitable<Result<void>> take_transfer(TimePoint deadline);
  Result<void> take_header(std::string& bytes);

  // Reads the short packet that ends an answer whose last packet was full.
  Awaitable<Result<void>> finish_tail(TimePoint deadline);
  // Before a message goes out: nothing may be under way.
  Awaitable<Result<void>> make_way(TimePoint deadline);
  Awaitable<Result<void>> mend_out(TimePoint deadline);
  Awaitable<Result<void>> abort_out(TimePoint deadline);
  Awaitable<Result<void>> abort_in(TimePoint deadline);
  Awaitable<Result<void>> drain_in(TimePoint deadline);
  Awaitable<Result<void>> unhalt(std::uint8_t endpoint, TimePoint deadline);
  Awaitable<Result<Check>> check(Request request, std::uint8_t type, std::uint16_t length,
                                 TimePoint deadline);
  std::uint8_t next_tag();
  void forget_unread();
  bool has_unread() const { return !unread_.empty() || unread_end_; }

  std::shared_ptr<Pipes> pipes_;
  Clock& clock_;
  Options options_;
  Wake news_;  // rings at every notification
  Capabilities capabilities_;
  bool open_ = true;
  std::optional<Error> lost_;  // why the device is out of reach
  std::uint8_t tag_ = 0;
  std::uint8_t status_tag_ = 0;
  std::optional<Notification> status_answer_;
  std::optional<std::uint8_t> service_request_;
  std::optional<std::uint8_t> broken_out_;  // tag of an OUT transfer that a deadline cut short
  std::optional<Asked> asked_;
  std::size_t room_ = 0;        // of the bulk-IN transfer under way, 0: none
  bool tail_due_ = false;       // the last answer's last packet was full: a short one follows
  bool lacks_tail_ = false;     // this device leaves it out
  bool tail_possible_ = false;  // an empty packet of an answer given up may come first
  std::string unread_;
  bool unread_end_ = false;  // the message ends behind it
};

}  // namespace nightbench::link::usbtmc
