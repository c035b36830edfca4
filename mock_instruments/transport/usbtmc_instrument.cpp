#include "mock_instruments/transport/usbtmc_instrument.hpp"

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/io_context.hpp>
#include <utility>

namespace nightbench::mock::transport {

UsbtmcInstrument::UsbtmcInstrument(std::shared_ptr<Device> device, Clock& clock,
                                   UsbIdentity identity, UsbtmcFlaws flaws)
    : device_(std::move(device)),
      clock_(clock),
      identity_(identity),
      function_(*this, std::move(identity), flaws),
      changed_(clock) {}

std::shared_ptr<UsbtmcInstrument> UsbtmcInstrument::start(std::shared_ptr<Device> device,
                                                          Clock& clock, UsbIdentity identity,
                                                          UsbtmcFlaws flaws) {
  std::shared_ptr<UsbtmcInstrument> made(
      new UsbtmcInstrument(std::move(device), clock, std::move(identity), flaws));
  boost::asio::co_spawn(clock.context(), work(made), boost::asio::detached);
  return made;
}

void UsbtmcInstrument::stop() {
  if (std::exchange(stopped_, true)) return;
  function_.unplug();
  if (working_) device_->device_clear();  // what it does for nobody would keep others waiting
  changed_.ring();
}

void UsbtmcInstrument::take(std::string_view bytes, bool end) {
  if (input_.size() + bytes.size() > most_input) overrun_ = true;
  if (!overrun_) input_ += bytes;
  if (!end) return;
  if (std::exchange(overrun_, false)) {
    input_.clear();
    device_->overrun();
    return;
  }
  inputs_.push_back(std::exchange(input_, std::string()));
  changed_.ring();
}

void UsbtmcInstrument::forget() {
  input_.clear();
  overrun_ = false;
}

void UsbtmcInstrument::asked() {
  if (!working_ && inputs_.empty()) device_->unterminated();
}

void UsbtmcInstrument::cleared() {
  ++clears_;
  inputs_.clear();
  device_->device_clear();
}

Awaitable<void> UsbtmcInstrument::work(std::shared_ptr<UsbtmcInstrument> self) {
  while (!self->stopped_) {
    if (self->inputs_.empty()) {
      co_await self->changed_.wait(TimePoint::max());
      continue;
    }
    std::string input = std::move(self->inputs_.front());
    self->inputs_.pop_front();
    self->function_.room();
    const int clears = self->clears_;
    self->working_ = true;
    for (std::string& message : program_messages(std::move(input))) {
      std::optional<std::string> response = co_await self->device_->take(std::move(message));
      if (clears != self->clears_ || self->stopped_) break;
      if (!response) continue;
      if (!self->inputs_.empty()) {
        self->device_->interrupted();  // nobody waits for this answer any more
        continue;
      }
      self->function_.say(*response + '\n', true);
    }
    self->working_ = false;
  }
}

}  // namespace nightbench::mock::transport
