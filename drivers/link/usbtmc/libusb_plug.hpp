// The pipes of real USB devices, through libusb-1.0.
//
// libusb is asked from a thread of its own, one a plug, so that nothing it waits for (opening,
// clearing a halt, giving an interface back) holds up the io_context. Every open() looks at the bus
// anew, so a device that was plugged in since is found. A kernel driver on the interface is
// detached while the pipes are open and given it back when they close.
//
// A device is found by vendor, product and serial number. Where serial numbers are empty or the
// same, "@" and the place on the bus stand for it: USB0::0x1209::0x0001::@1-1.2::INSTR is bus 1,
// port 1, port 2.
#pragma once

#include <memory>
#include <string>
#include <vector>

#include "drivers/link/resource.hpp"
#include "drivers/link/usbtmc/pipes.hpp"

namespace nightbench::link::usbtmc {

std::unique_ptr<Plug> libusb_plug(Clock& clock);

// A USBTMC interface on one of this machine's buses.
struct UsbInstrument {
  UsbResource resource;
  std::string place;    // "1-1.2"
  std::string text;     // maker and product, as the device says
  std::string trouble;  // why it could not be asked for its serial number, or empty
};
// Blocks for some milliseconds a device. Errors: refused when USB cannot be used at all.
Result<std::vector<UsbInstrument>> list_usb_instruments();

}  // namespace nightbench::link::usbtmc
