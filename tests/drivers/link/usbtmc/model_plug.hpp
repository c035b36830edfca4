// The pipes of a simulated USB device in this process: what libusb is to a real one. OUT transfers
// are cut into pieces of 16 KiB as libusb on Linux cuts them.
#pragma once

#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <utility>

#include "drivers/link/usbtmc/pipes.hpp"
#include "drivers/link/wake.hpp"
#include "mock_instruments/transport/usb_descriptors.hpp"
#include "mock_instruments/transport/usb_device.hpp"

namespace nightbench::test {

class ModelPipes final : public link::usbtmc::Pipes {
 public:
  using Transfer = link::usbtmc::Transfer;
  using UsbDevice = mock::transport::UsbDevice;
  using UsbTransfer = mock::transport::UsbTransfer;

  // `closed` is called once when the host lets go.
  ModelPipes(std::shared_ptr<UsbDevice> device, Clock& clock, std::size_t packet,
             bool has_interrupt, std::function<void()> closed)
      : device_(std::move(device)),
        clock_(clock),
        packet_(packet),
        has_interrupt_(has_interrupt),
        closed_(std::move(closed)) {
    // As the host's controller does when it finds a device.
    UsbTransfer configure;
    configure.setup.type = 0;
    configure.setup.request = 9;
    configure.setup.value = 1;
    device_->submit(std::move(configure), [](mock::transport::UsbOutcome) {});
  }
  ~ModelPipes() override { close(); }

  Awaitable<Transfer> bulk_out(std::string bytes, TimePoint deadline) override {
    constexpr std::size_t piece = 16'384;
    for (std::size_t at = 0; at < bytes.size(); at += piece) {
      UsbTransfer transfer;
      transfer.endpoint = mock::transport::usbtmc_out;
      transfer.out = bytes.substr(at, piece);
      const Transfer end = co_await whole(std::move(transfer), deadline);
      if (end.end != Transfer::End::done) co_return end;
    }
    Transfer done;
    done.end = Transfer::End::done;
    co_return done;
  }

  Awaitable<Transfer> bulk_in(std::size_t room, TimePoint deadline) override {
    if (!in_) {
      UsbTransfer transfer;
      transfer.endpoint = mock::transport::usbtmc_in;
      transfer.room = room;
      in_ = submit(std::move(transfer));
    }
    const SlotPtr slot = in_;
    Transfer got = co_await wait(slot, deadline);
    if (got.end != Transfer::End::timed_out && in_ == slot) in_.reset();
    co_return got;
  }

  Awaitable<void> cancel_in(TimePoint) override {
    if (in_) device_->cancel(in_->number);
    in_.reset();
    co_return;
  }

  Awaitable<Transfer> interrupt_in(TimePoint deadline) override {
    UsbTransfer transfer;
    transfer.endpoint = mock::transport::usbtmc_interrupt;
    transfer.room = 2;
    co_return co_await whole(std::move(transfer), deadline);
  }

  Awaitable<Transfer> control_in(link::usbtmc::Setup setup, TimePoint deadline) override {
    UsbTransfer transfer;
    transfer.endpoint = mock::transport::usb_in;
    transfer.setup = setup;
    transfer.room = setup.length;
    co_return co_await whole(std::move(transfer), deadline);
  }

  Awaitable<Transfer> clear_halt(std::uint8_t endpoint, TimePoint deadline) override {
    UsbTransfer transfer;
    transfer.setup.type = 2;
    transfer.setup.request = 1;
    transfer.setup.index = endpoint;
    co_return co_await whole(std::move(transfer), deadline);
  }

  void close() override {
    if (!std::exchange(open_, false)) return;
    for (const std::weak_ptr<Slot>& each : slots_) {
      const SlotPtr slot = each.lock();
      if (!slot) continue;
      device_->cancel(slot->number);
      slot->news.ring();
    }
    const std::function<void()> closed = std::exchange(closed_, nullptr);
    if (closed) closed();
  }

  std::uint8_t interface_number() const override { return 0; }
  std::uint8_t out_endpoint() const override { return mock::transport::usbtmc_out; }
  std::uint8_t in_endpoint() const override { return mock::transport::usbtmc_in; }
  std::uint8_t interrupt_endpoint() const override {
    return has_interrupt_ ? mock::transport::usbtmc_interrupt : std::uint8_t{0};
  }
  std::size_t in_packet() const override { return packet_; }

 private:
  struct Slot {
    explicit Slot(Clock& clock) : news(clock) {}
    link::Wake news;
    std::uint64_t number = 0;
    std::optional<Transfer> result;
  };
  using SlotPtr = std::shared_ptr<Slot>;

  static Transfer::End end_of(int status) {
    namespace usb_end = mock::transport::usb_end;
    if (status == usb_end::done) return Transfer::End::done;
    if (status == usb_end::stalled) return Transfer::End::stalled;
    return status == usb_end::gone ? Transfer::End::gone : Transfer::End::failed;
  }

  SlotPtr submit(UsbTransfer transfer) {
    const SlotPtr slot = std::make_shared<Slot>(clock_);
    std::erase_if(slots_, [](const std::weak_ptr<Slot>& each) { return each.expired(); });
    slots_.push_back(slot);
    slot->number =
        device_->submit(std::move(transfer), [slot](mock::transport::UsbOutcome outcome) {
          slot->result = Transfer();
          slot->result->end = end_of(outcome.status);
          slot->result->bytes = std::move(outcome.in);
          slot->news.ring();
        });
    return slot;
  }

  Awaitable<Transfer> wait(SlotPtr slot, TimePoint deadline) {
    Transfer out;
    while (!slot->result) {
      const link::Wake::Why why = co_await slot->news.wait(deadline);
      if (slot->result) break;
      out.end = why == link::Wake::Why::late ? Transfer::End::timed_out : Transfer::End::cancelled;
      if (!open_ || why != link::Wake::Why::rung) co_return out;
    }
    if (!open_) {
      out.end = Transfer::End::cancelled;
      co_return out;
    }
    co_return *std::move(slot->result);
  }

  Awaitable<Transfer> whole(UsbTransfer transfer, TimePoint deadline) {
    if (!open_) {
      Transfer closed;
      closed.end = Transfer::End::cancelled;
      co_return closed;
    }
    const SlotPtr slot = submit(std::move(transfer));
    Transfer got = co_await wait(slot, deadline);
    if (got.end == Transfer::End::timed_out) device_->cancel(slot->number);
    co_return got;
  }

  std::shared_ptr<UsbDevice> device_;
  Clock& clock_;
  std::size_t packet_;
  bool has_interrupt_;
  std::function<void()> closed_;
  bool open_ = true;
  SlotPtr in_;
  std::vector<std::weak_ptr<Slot>> slots_;
};

// Asks for pipes at every connect().
class ModelPlug final : public link::usbtmc::Plug {
 public:
  using Make = std::function<Result<std::shared_ptr<link::usbtmc::Pipes>>()>;
  explicit ModelPlug(Make make) : make_(std::move(make)) {}
  Awaitable<Result<std::shared_ptr<link::usbtmc::Pipes>>> open(link::UsbResource,
                                                               TimePoint) override {
    co_return make_();
  }

 private:
  Make make_;
};

inline link::UsbResource model_resource() {
  link::UsbResource resource;
  resource.vendor = 0x1209;
  resource.product = 0x0001;
  resource.serial = "0042";
  return resource;
}

}  // namespace nightbench::test
