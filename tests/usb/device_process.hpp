// The simulated USB instrument of the guest, in a process of its own: when libusb waits in the
// kernel, and the kernel for the device, the device must go on. Plugged in and out on demand.
#pragma once

#include <string>

namespace nightbench::test {

class DeviceProcess {
 public:
  // Forks; to be called before the first thread is started.
  DeviceProcess();
  ~DeviceProcess();
  DeviceProcess(const DeviceProcess&) = delete;
  DeviceProcess& operator=(const DeviceProcess&) = delete;

  // Tells the process something and gives its answer, "ok" or a number, or "error: ...".
  //   plug               a fresh instrument, plugged into vhci_hcd
  //   unplug             gone
  //   halt in, halt out  halts a bulk pipe
  //   release            lets WAIT? answer
  //   checks N           CHECK_... requests answer "pending" N times
  //   count N            how often class request N came
  //   status N           the status byte from now on
  //   taken              messages taken since it was plugged in
  std::string tell(const std::string& command);

 private:
  int socket_ = -1;
  int child_ = -1;
};

}  // namespace nightbench::test
