// The link contract over USBTMC, against a simulated device in this process: with and without an
// interrupt pipe, at high and at full speed.
#include "../contract.hpp"

#include <deque>

#include "drivers/link/usbtmc/usbtmc_link.hpp"
#include "model_plug.hpp"
#include "usbtmc_peer.hpp"

namespace nightbench::test {
namespace {
using mock::transport::UsbIdentity;
using mock::transport::UsbSpeed;

template <UsbSpeed speed, bool interrupt>
class UsbtmcFixture {
 public:
  static constexpr Duration kLittle = std::chrono::seconds(1);

  VirtualClock& clock() { return clock_; }
  std::unique_ptr<link::Link> link() {
    auto plug = std::make_unique<ModelPlug>([this] { return plug_in(); });
    return std::make_unique<link::UsbtmcLink>(model_resource(), clock_, std::move(plug));
  }
  Awaitable<std::shared_ptr<link::Stream>> accept() {
    std::shared_ptr<link::Stream> next = std::move(peers_.front());
    peers_.pop_front();
    co_return next;
  }
  void go_away() { there_ = false; }

 private:
  Result<std::shared_ptr<link::usbtmc::Pipes>> plug_in() {
    if (!there_) return fail(ErrorKind::refused, "no such USB device");
    UsbIdentity identity;
    identity.speed = speed;
    identity.interrupt_pipe = interrupt;
    const auto state = std::make_shared<UsbtmcPeer::State>(clock_, identity);
    peers_.push_back(std::make_shared<UsbtmcPeer>(state));
    const std::shared_ptr<mock::transport::UsbDevice> device(state, &state->function);
    const std::weak_ptr<UsbtmcPeer::State> weak = state;
    return std::make_shared<ModelPipes>(device, clock_, bulk_packet(speed), interrupt, [weak] {
      if (const auto alive = weak.lock()) alive->end();
    });
  }

  boost::asio::io_context context_;
  VirtualClock clock_{context_};
  std::deque<std::shared_ptr<link::Stream>> peers_;
  bool there_ = true;
};

using HighSpeed = UsbtmcFixture<UsbSpeed::high, true>;
using FullSpeed = UsbtmcFixture<UsbSpeed::full, false>;
INSTANTIATE_TYPED_TEST_SUITE_P(UsbtmcHighSpeed, LinkContract, HighSpeed);
INSTANTIATE_TYPED_TEST_SUITE_P(UsbtmcFullSpeed, LinkContract, FullSpeed);

}  // namespace
}  // namespace nightbench::test
