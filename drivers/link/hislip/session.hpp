// A HiSLIP session as the client holds it between opening and closing: both channels, the message
// numbers, and the state of synchronised and overlap mode (IVI-6.1, clauses 3 and 6). The layer
// under HislipLink.
#pragma once

#include <cstdint>
#include <memory>
#include <optional>
#include <string>
#include <string_view>

#include "drivers/link/hislip/async_channel.hpp"
#include "drivers/link/hislip/channel.hpp"
#include "drivers/link/link.hpp"
#include "drivers/link/stream_link.hpp"

namespace nightbench::link::hislip {

struct Terms {  // what was agreed at opening
  std::uint16_t version = version_1_0;
  std::uint16_t session_id = 0;
  std::uint64_t server_most_message = 0;
  bool overlap = false;
};

class Session : public std::enable_shared_from_this<Session> {
 public:
  Session(std::unique_ptr<Stream> sync, Clock& clock, bool check_message_ids)
      : sync_(std::move(sync)), clock_(clock), check_message_ids_(check_message_ids) {}

  // The two halves of opening (clause 6.1). `sub_address` is "hislip0" and the like.
  Awaitable<Result<void>> initialize(std::string sub_address, std::uint16_t version,
                                     TimePoint deadline);
  Awaitable<Result<void>> initialize_async(std::unique_ptr<Stream> async,
                                           std::uint64_t most_message, TimePoint deadline);

  Awaitable<Result<void>> write(std::string_view message, TimePoint deadline);
  Awaitable<Result<Chunk>> read(std::size_t most, TimePoint deadline);
  // The whole device clear handshake (clause 6.12), which may also change the mode.
  Awaitable<Result<void>> clear(std::optional<bool> overlap, TimePoint deadline);
  Awaitable<Result<std::uint8_t>> status(TimePoint deadline);
  Awaitable<Result<void>> trigger(TimePoint deadline);
  Awaitable<Result<void>> lock(std::string shared_by, TimePoint deadline);
  Awaitable<Result<void>> unlock(TimePoint deadline);
  Awaitable<Result<void>> remote_local(std::uint8_t code, TimePoint deadline);

  void close();
  bool is_open() const { return sync_.is_open(); }
  const Terms& terms() const { return terms_; }
  std::optional<std::uint8_t> take_service_request() { return async_->take_service_request(); }

 private:
  bool wanted(const Header& header) const;
  Header next(Type type);
  Awaitable<Result<void>> before_sending(TimePoint deadline);
  // A message of the server that is not data.
  Awaitable<Result<void>> take_control(Header header, TimePoint deadline);
  // The asynchronous channel has ended: what has come already may still be read, no more.
  void lose(const Error& why);
  // What the asynchronous channel found out, in place of "closed meanwhile".
  std::unexpected<Error> because(Error error) const;

  Channel sync_;
  std::shared_ptr<AsyncChannel> async_;
  Clock& clock_;
  bool check_message_ids_;
  Terms terms_;
  std::optional<Error> lost_;  // why the asynchronous channel ended
  std::unique_ptr<Alarm> grace_;
  std::uint32_t next_id_ = first_message_id;
  std::uint32_t sent_id_ = before_first_message_id;
  std::uint32_t delivered_id_ = before_first_message_id;  // overlap mode
  std::optional<Header> current_;                         // the data message under way
  bool deliver_ = false;                                  // and whether its bytes are the caller's
  bool rmt_delivered_ = false;  // a response was handed over whole since the last message
  int interruptions_ = 0;       // Interrupted messages
};

}  // namespace nightbench::link::hislip
