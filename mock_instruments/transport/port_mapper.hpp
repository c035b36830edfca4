// A small port mapper (RFC 1833, clause 3, version 2) that answers NULL, GETPORT and DUMP over TCP
// and UDP for itself and the programs it is given; and the registration of a program with the
// machine's own port mapper, where one runs.
#pragma once

#include <cstdint>
#include <memory>
#include <string>
#include <vector>

#include "drivers/base/clock.hpp"
#include "drivers/base/error.hpp"
#include "drivers/link/vxi11/messages.hpp"

namespace nightbench::mock::transport {

class PortMapper {
 public:
  // Serves on `port` of `address` (111 needs rights; 0: any free one, the same for TCP and UDP).
  // Errors: refused when the port is taken or not allowed.
  static Result<std::unique_ptr<PortMapper>> start(Clock& clock, const std::string& address,
                                                   std::uint16_t port,
                                                   std::vector<link::vxi11::Mapping> mappings);
  ~PortMapper();
  PortMapper(const PortMapper&) = delete;
  PortMapper& operator=(const PortMapper&) = delete;
  std::uint16_t port() const;
  std::uint64_t queries() const;  // GETPORT calls so far

 private:
  class Core;
  explicit PortMapper(std::shared_ptr<Core> core);
  std::shared_ptr<Core> core_;
};

// The mapping of a VXI-11 server's core channel.
link::vxi11::Mapping core_mapping(std::uint16_t port);

// UNSET, then SET at the port mapper of this machine (127.0.0.1 port 111). Errors: refused when
// none runs or it will not.
Awaitable<Result<void>> register_program(link::vxi11::Mapping mapping, Clock& clock,
                                         TimePoint deadline);
Awaitable<Result<void>> unregister_program(link::vxi11::Mapping mapping, Clock& clock,
                                           TimePoint deadline);

}  // namespace nightbench::mock::transport
