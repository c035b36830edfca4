#include "drivers/link/open.hpp"

#include "drivers/link/hislip/hislip_link.hpp"
#include "drivers/link/tcp.hpp"
#include "drivers/link/usbtmc/libusb_plug.hpp"
#include "drivers/link/usbtmc/usbtmc_link.hpp"
#include "drivers/link/vxi11/vxi11_link.hpp"

namespace nightbench::link {
namespace {

std::unexpected<Error> not_served(const Resource& resource, const std::string& transport) {
  std::string text("'");
  text += normalised(resource) + "' needs " + transport + ", which is not served";
  return fail(ErrorKind::bad_input, std::move(text));
}

// One overload a transport.
struct Opener {
  Clock& clock;
  const SerialSettings& serial;
  using Opened = Result<std::unique_ptr<Link>>;

  Opened operator()(const SocketResource& r) const { return tcp_link(r.host, r.port, clock); }
  Opened operator()(const Vxi11Resource& r) const { return std::make_unique<Vxi11Link>(r, clock); }
  Opened operator()(const HislipResource& r) const {
    if (!r.credential.empty()) return not_served(r, "encrypted HiSLIP");
    return std::make_unique<HislipLink>(r, clock);
  }
  Opened operator()(const UsbResource& r) const {
    if (r.raw) return not_served(r, "raw USB");
    return std::make_unique<UsbtmcLink>(r, clock, usbtmc::libusb_plug(clock));
  }
  Opened operator()(const SerialResource& r) const { return serial_link(r, serial, clock); }
  Opened operator()(const GpibResource& r) const {
    return not_served(r, "GPIB (a LAN gateway's VXI-11 name is: TCPIP::gateway::gpib0,18::INSTR)");
  }
};

}  // namespace

Result<std::unique_ptr<Link>> open(const Resource& resource, Clock& clock,
                                   const SerialSettings& serial) {
  return std::visit(Opener{clock, serial}, resource);
}

Result<std::unique_ptr<Link>> open(std::string_view resource, Clock& clock,
                                   const SerialSettings& serial) {
  TRY_ASSIGN(const Resource parsed, parse_resource(resource));
  return open(parsed, clock, serial);
}

}  // namespace nightbench::link
