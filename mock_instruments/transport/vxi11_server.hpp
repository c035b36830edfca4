// A VXI-11 device server (revision 1.0) in front of one Device: core and abort channel, links,
// exclusive locks. The interrupt channel and docmd are not served (error 8, as instruments may).
//
// All links share the device's one output queue, as in real instruments. Locks and links belong to
// the core connection and go with it. A port mapper is separate: port_mapper.hpp.
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <string>

#include "drivers/base/clock.hpp"
#include "drivers/base/error.hpp"
#include "drivers/link/vxi11/messages.hpp"
#include "mock_instruments/transport/device.hpp"

namespace nightbench::mock::transport {

struct Vxi11ServerOptions {
  std::string address = "127.0.0.1";
  std::uint16_t port = 0;  // core channel; 0: any free one
  std::string device_name = "inst0";
  std::uint32_t most_receive = 1U << 20;  // maxRecvSize as stated
  std::size_t most_message = 1U << 20;    // a longer one is thrown away (-363)
  std::size_t most_links = 8;
  bool serves_abort = true;
  // Some devices fill a small buffer and say nothing about the reason; 0: as much as was asked.
  std::size_t read_buffer = 0;
  std::size_t fragment = 0;  // bytes in each fragment of a reply; 0: one fragment
  // Asked before every core call: an error to answer in its place, or nothing.
  std::function<std::optional<link::vxi11::DeviceError>(link::vxi11::Procedure)> fail;
};

class Vxi11Server {
 public:
  // Errors: refused when the port is taken.
  static Result<std::unique_ptr<Vxi11Server>> start(std::shared_ptr<Device> device, Clock& clock,
                                                    Vxi11ServerOptions options = {});
  // Closes every connection.
  ~Vxi11Server();
  Vxi11Server(const Vxi11Server&) = delete;
  Vxi11Server& operator=(const Vxi11Server&) = delete;

  std::uint16_t core_port() const;
  std::uint16_t abort_port() const;  // 0 when not served
  std::size_t links() const;         // that exist now
  std::uint64_t aborts() const;      // device_abort calls so far
  bool locked() const;
  // Closes the connections of all clients, as a power failure does; goes on listening.
  void drop_clients();

 private:
  class Core;
  explicit Vxi11Server(std::shared_ptr<Core> core);
  std::shared_ptr<Core> core_;
};

}  // namespace nightbench::mock::transport
