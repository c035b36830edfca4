// USBTMC with USB488 (USBTMC 1.0, USB488 1.0) as a link.
//
//  - connect() finds the device by its VISA name, claims the interface (a kernel driver is detached
//    and given back at close()) and clears the device, so that an answer from before is not met.
//  - A read whose deadline comes first leaves its request open: the next read goes on with it, a
//    write or a clear aborts it (INITIATE_ABORT_BULK_IN). A write whose deadline comes first is
//    aborted by the next operation.
//  - A stall is cleared and reported as bad_data. A device that was unplugged, or that the host
//    gave up, is refused; what it had sent before can still be read; connect() finds it again.
//  - status_byte() works while the instrument is busy. Service requests come on the interrupt pipe.
//  - Memory: one piece of at most 1 MiB when writing, one transfer of at most 256 kB when reading.
#pragma once

#include <cstdint>
#include <memory>
#include <optional>
#include <string>
#include <string_view>

#include "drivers/link/link.hpp"
#include "drivers/link/resource.hpp"
#include "drivers/link/usbtmc/pipes.hpp"
#include "drivers/link/usbtmc/session.hpp"

namespace nightbench::link {

class UsbtmcLink final : public Link {
 public:
  UsbtmcLink(UsbResource resource, Clock& clock, std::unique_ptr<usbtmc::Plug> plug,
             usbtmc::Options options = {});
  ~UsbtmcLink() override;

  Awaitable<Result<void>> write(std::string_view message, TimePoint deadline) override;
  Awaitable<Result<Chunk>> read(std::size_t most, TimePoint deadline) override;
  Awaitable<Result<void>> clear(TimePoint deadline) override;
  Awaitable<Result<std::uint8_t>> status_byte(TimePoint deadline) override;
  Awaitable<Result<void>> connect(TimePoint deadline) override;
  void close() override;
  bool is_open() const override;
  bool marks_end() const override { return true; }
  const std::string& resource() const override;

  // USB488 group execute trigger, in order with the messages.
  Awaitable<Result<void>> trigger(TimePoint deadline);
  // The front panel: remote with `on`, back to local without.
  Awaitable<Result<void>> remote(bool on, TimePoint deadline);
  Awaitable<Result<void>> local_lockout(TimePoint deadline);
  // The status byte of the last service request since the last call, if one came.
  std::optional<std::uint8_t> take_service_request();
  // As the device declares them, since connect().
  std::optional<usbtmc::Capabilities> capabilities() const;
  // For quirks that are known only once the dialect is; counts from the next connect() on.
  void use(usbtmc::Options options);

 private:
  struct State;
  std::shared_ptr<State> state_;
};

}  // namespace nightbench::link
