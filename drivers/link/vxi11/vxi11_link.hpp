// VXI-11 (revision 1.0): a link over ONC RPC, with a core channel for everything and an abort
// channel for the case that the core channel is kept busy.
//
//  - Port: of the resource name (host,port), else asked from the port mapper at every connect.
//  - Messages longer than the device takes at once are cut; END goes with the last piece only.
//  - read() asks for at most `most` bytes, and at most 1 MiB at a time; END comes from the reason
//    bits. Termination characters are not used: they would cut binary blocks.
//  - The device is told to give up a little before our own deadline, so that its answer (error 15)
//    arrives in time. When it does not, the call is owed: clear() aborts it first.
//  - close() destroys the link at the device in the background, bounded to a second: devices have
//    few links. connect() waits for an earlier close to finish.
//  - Errors beyond the seam's: device errors 15 -> timeout, 1, 5 and 21 -> bad_data, 23 ->
//    cancelled, all others -> refused.
#pragma once

#include <cstdint>
#include <memory>
#include <string>

#include "drivers/link/link.hpp"
#include "drivers/link/resource.hpp"

namespace nightbench::link {

struct Vxi11Options {
  std::uint16_t mapper_port = 111;  // of the port mapper
  bool lock = false;                // an exclusive lock, from connect() to close()
  // How long the device may wait for another's lock before it refuses; 0: not at all.
  Duration wait_for_lock = std::chrono::seconds(0);
  // At most this much in one device_write or device_read.
  std::size_t most_at_once = std::size_t{1} << 20;
};

class Vxi11Link final : public Link {
 public:
  Vxi11Link(Vxi11Resource resource, Clock& clock, Vxi11Options options = {});
  ~Vxi11Link() override;

  Awaitable<Result<void>> write(std::string_view message, TimePoint deadline) override;
  Awaitable<Result<Chunk>> read(std::size_t most, TimePoint deadline) override;
  Awaitable<Result<void>> clear(TimePoint deadline) override;
  Awaitable<Result<std::uint8_t>> status_byte(TimePoint deadline) override;
  Awaitable<Result<void>> connect(TimePoint deadline) override;
  void close() override;
  bool is_open() const override;
  bool marks_end() const override { return true; }
  const std::string& resource() const override;

  // An exclusive lock for this link (rules B.6.72-77): no nesting, gone with the connection.
  Awaitable<Result<void>> lock(TimePoint deadline);
  Awaitable<Result<void>> unlock(TimePoint deadline);
  // Group execute trigger; remote with local lock-out; back to local.
  Awaitable<Result<void>> trigger(TimePoint deadline);
  Awaitable<Result<void>> remote(TimePoint deadline);
  Awaitable<Result<void>> local(TimePoint deadline);
  // What the device takes in one device_write, after connect().
  std::size_t most_receive() const;

 private:
  struct State;
  std::shared_ptr<State> state_;
};

}  // namespace nightbench::link
