// A HiSLIP server (IVI-6.1 revisions 1.0 and 2.0, without encryption) in front of one Device:
// synchronised and overlap mode, interrupted handling, device clear, status, locks, triggers and
// service requests. Every session has its own output; the device runs one message at a time.
#pragma once

#include <cstdint>
#include <memory>
#include <string>

#include "drivers/base/clock.hpp"
#include "drivers/base/error.hpp"
#include "mock_instruments/transport/device.hpp"

namespace nightbench::mock::transport {

struct HislipServerOptions {
  std::string address = "127.0.0.1";
  std::uint16_t port = 0;               // 0: any free one
  std::string sub_address = "hislip0";  // an empty one is always taken
  std::uint16_t version = 0x0200;       // the highest revision spoken
  bool prefer_overlap = false;
  bool demand_encryption = false;         // which nobody gets: for tests of clients
  std::uint64_t most_message = 1U << 20;  // as stated in the size exchange, header included
  std::size_t most_input = 1U << 20;      // a longer program message is thrown away (-363)
  std::size_t piece = 1U << 20;           // bytes of a response in one message, at most
  std::size_t most_sessions = 8;
  bool answers_any_id = false;  // numbers Data messages 0xFFFFFFFF, as the standard allows
};

class HislipServer {
 public:
  // Errors: refused when the port is taken.
  static Result<std::unique_ptr<HislipServer>> start(std::shared_ptr<Device> device, Clock& clock,
                                                     HislipServerOptions options = {});
  // Closes every connection.
  ~HislipServer();
  HislipServer(const HislipServer&) = delete;
  HislipServer& operator=(const HislipServer&) = delete;

  std::uint16_t port() const;
  std::size_t sessions() const;
  // Tells every client (AsyncServiceRequest); one that was told waits until it asks for the status.
  void request_service();
  // Closes the connections of all clients, as a power failure does; goes on listening.
  void drop_clients();
  // Ends all sessions with FatalError, as a device with trouble of its own does.
  void fail_clients(std::uint8_t code, std::string text);

 private:
  class Core;
  explicit HislipServer(std::shared_ptr<Core> core);
  std::shared_ptr<Core> core_;
};

}  // namespace nightbench::mock::transport
