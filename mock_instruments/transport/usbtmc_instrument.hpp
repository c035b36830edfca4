// A Device behind USBTMC: messages of a host run one after another, answers wait until they are
// asked for, device clear and triggers go through (IEEE 488.2, chapter 6; USB488).
#pragma once

#include <cstddef>
#include <deque>
#include <memory>
#include <string>

#include "drivers/base/clock.hpp"
#include "drivers/link/wake.hpp"
#include "mock_instruments/transport/device.hpp"
#include "mock_instruments/transport/usbtmc_function.hpp"

namespace nightbench::mock::transport {

class UsbtmcInstrument final : public UsbtmcOwner,
                               public std::enable_shared_from_this<UsbtmcInstrument> {
 public:
  // Works until stop(), which must come before the last owner lets go.
  static std::shared_ptr<UsbtmcInstrument> start(std::shared_ptr<Device> device, Clock& clock,
                                                 UsbIdentity identity = {}, UsbtmcFlaws flaws = {});
  // Unplugs it for good.
  void stop();
  UsbtmcFunction& function() { return function_; }
  const UsbIdentity& identity() const { return identity_; }

  bool wants_more() override { return inputs_.size() < most_inputs; }
  void interrupted() override { device_->interrupted(); }
  void take(std::string_view bytes, bool end) override;
  void forget() override;
  void asked() override;
  void cleared() override;
  void triggered() override { device_->trigger(); }
  std::uint8_t status_byte(bool message_available) override {
    return device_->status_byte(message_available);
  }

 private:
  static constexpr std::size_t most_inputs = 8;
  static constexpr std::size_t most_input = std::size_t{1} << 20;  // longer ones are an overrun

  UsbtmcInstrument(std::shared_ptr<Device> device, Clock& clock, UsbIdentity identity,
                   UsbtmcFlaws flaws);
  static Awaitable<void> work(std::shared_ptr<UsbtmcInstrument> self);

  std::shared_ptr<Device> device_;
  Clock& clock_;
  UsbIdentity identity_;
  UsbtmcFunction function_;
  link::Wake changed_;
  std::string input_;
  bool overrun_ = false;
  std::deque<std::string> inputs_;
  bool working_ = false;
  bool stopped_ = false;
  int clears_ = 0;
};

}  // namespace nightbench::mock::transport
