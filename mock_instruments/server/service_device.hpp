// A simulated instrument as VXI-11, HiSLIP and USBTMC servers see it: the same object, the same
// troubles as behind a socket. Messages of several ways in run one after another.
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <string>

#include "mock_instruments/server/service.hpp"
#include "mock_instruments/transport/device.hpp"

namespace nightbench::mock::server {

class ServiceDevice final : public transport::Device,
                            public std::enable_shared_from_this<ServiceDevice> {
 public:
  // `drop` is called when a trouble closes the connections.
  ServiceDevice(std::shared_ptr<Service> service, std::function<void()> drop)
      : service_(std::move(service)), drop_(std::move(drop)) {}

  Awaitable<std::optional<std::string>> take(std::string message) override;
  void device_clear() override;
  std::uint8_t status_byte(bool message_available) override;
  void trigger() override;
  void interrupted() override { service_->instrument().interrupted(); }
  void unterminated() override { service_->instrument().unterminated(); }
  void overrun() override { service_->instrument().overrun(); }

 private:
  // Waits on the clock; false when a device clear came first.
  Awaitable<bool> wait_until(TimePoint when, std::uint64_t clears);

  std::shared_ptr<Service> service_;
  std::function<void()> drop_;
  std::uint64_t clears_ = 0;
};

}  // namespace nightbench::mock::server
