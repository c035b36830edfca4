// Raw TCP ("SOCKET" resources): the name is resolved at every connect (an old address may have
// gone), every address is tried in turn within the deadline; no-delay and keep-alive are on.
#pragma once

#include <cstdint>
#include <memory>
#include <string>

#include "drivers/link/link.hpp"
#include "drivers/link/stream_link.hpp"

namespace nightbench::link {

std::unique_ptr<Connector> tcp_connector(std::string host, std::uint16_t port, Clock& clock);

// A closed link to `host`:`port`. `host` is a name or an address; an IPv6 address without brackets,
// with its zone when it is link-local ("fe80::1%eth0").
std::unique_ptr<Link> tcp_link(std::string host, std::uint16_t port, Clock& clock);

}  // namespace nightbench::link
