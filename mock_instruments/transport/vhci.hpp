// Handing a simulated USB device to this machine's own kernel: Linux's virtual host controller
// (vhci_hcd), driven through its files in sysfs. Needs root and the module.
#pragma once

#include <memory>
#include <string>

#include "drivers/base/clock.hpp"
#include "drivers/base/error.hpp"
#include "drivers/link/stream.hpp"
#include "mock_instruments/transport/usbip_message.hpp"

namespace nightbench::mock::transport {

// Plugs a device into a free port of the controller. The stream is our end: give it to
// UsbipServer::attach(). Errors: refused when there is no controller, no free port or no
// permission.
Result<std::unique_ptr<link::Stream>> attach_to_vhci(const usbip::DeviceRecord& record,
                                                     Clock& clock);

// The number of a free high-speed port in the controller's status text; -1 when there is none.
int free_vhci_port(const std::string& status);

}  // namespace nightbench::mock::transport
