#include "drivers/link/open.hpp"

#include "drivers/link/tcp.hpp"

namespace nightbench::link {
namespace {

std::unexpected<Error> not_served(const Resource& resource, const std::string& transport) {
  return fail(ErrorKind::bad_input, "'" + normalised(resource) + "' needs " + transport +
                                        ", which is not yet served; raw sockets are "
                                        "(TCPIP::host::port::SOCKET)");
}

// One overload a transport.
struct Opener {
  Clock& clock;
  using Opened = Result<std::unique_ptr<Link>>;

  Opened operator()(const SocketResource& r) const { return tcp_link(r.host, r.port, clock); }
  Opened operator()(const Vxi11Resource& r) const { return not_served(r, "VXI-11"); }
  Opened operator()(const HislipResource& r) const { return not_served(r, "HiSLIP"); }
  Opened operator()(const UsbResource& r) const { return not_served(r, "USBTMC"); }
  Opened operator()(const SerialResource& r) const { return not_served(r, "a serial port"); }
  Opened operator()(const GpibResource& r) const { return not_served(r, "GPIB"); }
};

}  // namespace

Result<std::unique_ptr<Link>> open(const Resource& resource, Clock& clock) {
  return std::visit(Opener{clock}, resource);
}

Result<std::unique_ptr<Link>> open(std::string_view resource, Clock& clock) {
  TRY_ASSIGN(const Resource parsed, parse_resource(resource));
  return open(parsed, clock);
}

}  // namespace nightbench::link
