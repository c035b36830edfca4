#include "mock_instruments/server/service_device.hpp"

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/io_context.hpp>
#include <utility>

namespace nightbench::mock::server {

Awaitable<bool> ServiceDevice::wait_until(TimePoint when, std::uint64_t clears) {
  Service& service = *service_;
  while (service.clock_.now() < when && clears == clears_ && !service.stopped_) {
    co_await service.idle_.wait(when);
  }
  co_return clears == clears_ && !service.stopped_;
}

Awaitable<std::optional<std::string>> ServiceDevice::take(std::string message) {
  const std::shared_ptr<Service> keep = service_;
  [[maybe_unused]] const std::shared_ptr<void> owner = keep->owner_.lock();
  Service& service = *keep;
  std::uint64_t clears = clears_;
  while (service.busy_ && !service.stopped_) co_await service.idle_.wait(TimePoint::max());
  if (service.stopped_ || clears != clears_) co_return std::nullopt;
  const Service::Turn turn(service);
  const double since_start = seconds(service.clock_.now() - service.start_);
  const std::vector<Trouble> strikes = service.troubles_.strike(message, since_start);
  if (!service.strike_before(strikes)) {
    if (drop_) drop_();
    co_return std::nullopt;
  }
  instrument::Instrument& instrument = service.instrument();
  const TimePoint began = service.clock_.now();
  TimePoint ended = began;
  instrument.begin(std::move(message), began);
  for (;;) {
    const instrument::Instrument::Progress progress = instrument.run(service.clock_.now());
    if (progress.done) break;
    ended = progress.again;
    const bool on = co_await wait_until(progress.again, clears);
    if (!on) co_return std::nullopt;
  }
  service.impose(began, ended);
  std::optional<std::string> response = instrument.take_response();
  if (!response) co_return std::nullopt;
  const Service::Answer how = Service::plan_answer(strikes);
  TimePoint when = service.clock_.now() + how.late;
  if (how.never) when = TimePoint::max();
  const bool on = co_await wait_until(when, clears);
  if (!on) co_return std::nullopt;
  std::string bytes = service.spoil(*std::move(response), how);
  // The transport marks the end itself.
  if (bytes.ends_with('\n')) bytes.pop_back();
  co_return bytes;
}

void ServiceDevice::device_clear() {
  ++clears_;
  service_->instrument().device_clear();
  service_->idle_.ring();
}

std::uint8_t ServiceDevice::status_byte(bool message_available) {
  return service_->instrument().status_byte(message_available);
}

void ServiceDevice::trigger() {
  // Group execute trigger means what *TRG means (IEEE 488.2, 10.37).
  const auto run = [](std::shared_ptr<ServiceDevice> self) -> Awaitable<void> {
    co_await self->take("*TRG");
  };
  boost::asio::co_spawn(service_->clock_.context(), run(shared_from_this()), boost::asio::detached);
}

}  // namespace nightbench::mock::server
