// HiSLIP (IVI-6.1 revisions 1.0 and 2.0, without encryption): a link over two TCP connections, in
// synchronised or overlap mode as the server wishes or the options say.
//
//  - Synchronised mode: answers whose message number is not the last one sent are thrown away, as
//    the standard wants (3.1.2); writing throws away what was not read.
//  - A message longer than the server's maximum is cut into Data messages.
//  - status_byte() and clear() go over the asynchronous channel, so both work while the synchronous
//    one is busy. The asynchronous channel is read all the time.
//  - An Error message from the server is reported once, as bad_data; a FatalError closes the link
//    and is reported as refused. A message that a deadline cut short closes the link.
//  - Memory: one piece of at most 1 MiB when writing, one read of at most 256 kB when reading.
#pragma once

#include <cstdint>
#include <memory>
#include <optional>
#include <string>
#include <string_view>

#include "drivers/link/link.hpp"
#include "drivers/link/resource.hpp"

namespace nightbench::link {

struct HislipOptions {
  // Overlap mode (true) or synchronised mode (false) in place of what the server prefers.
  std::optional<bool> overlap;
  // Some servers number their answers wrongly: false takes them anyhow.
  bool check_message_ids = true;
  // The largest message we ask the server to send.
  std::uint64_t most_message = std::uint64_t{1} << 20;
  // The highest revision we offer.
  std::uint16_t version = 0x0200;
};

class HislipLink final : public Link {
 public:
  HislipLink(HislipResource resource, Clock& clock, HislipOptions options = {});
  ~HislipLink() override;

  Awaitable<Result<void>> write(std::string_view message, TimePoint deadline) override;
  Awaitable<Result<Chunk>> read(std::size_t most, TimePoint deadline) override;
  Awaitable<Result<void>> clear(TimePoint deadline) override;
  Awaitable<Result<std::uint8_t>> status_byte(TimePoint deadline) override;
  Awaitable<Result<void>> connect(TimePoint deadline) override;
  void close() override;
  bool is_open() const override;
  bool marks_end() const override { return true; }
  const std::string& resource() const override;

  // A lock (clause 6.5): exclusive with an empty string, else shared by all who send the same
  // string of at most 256 bytes. The server waits until `deadline` for another's; timeout then.
  Awaitable<Result<void>> lock(std::string_view shared_by, TimePoint deadline);
  Awaitable<Result<void>> unlock(TimePoint deadline);
  // Group execute trigger, in order with the messages.
  Awaitable<Result<void>> trigger(TimePoint deadline);
  // Remote and local control by code (0 to 6): 5 is remote with local lock-out, 6 go to local.
  Awaitable<Result<void>> remote_local(std::uint8_t code, TimePoint deadline);
  // The status byte of the last service request since the last call, if one came.
  std::optional<std::uint8_t> take_service_request();

  // After connect().
  bool overlap() const;
  std::uint16_t version() const;              // the lower of both revisions
  std::uint64_t server_most_message() const;  // header included

 private:
  struct State;
  std::shared_ptr<State> state_;
};

}  // namespace nightbench::link
