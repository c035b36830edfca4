#include "drivers/link/usbtmc/libusb_plug.hpp"

#include <optional>
#include <utility>

#include "drivers/link/usbtmc/libusb_thread.hpp"
#include "drivers/link/wake.hpp"

namespace nightbench::link::usbtmc {
namespace {

// A transfer that somebody waits for, or did.
struct Slot {
  explicit Slot(Clock& clock) : news(clock) {}
  Wake news;
  std::uint64_t flight = 0;
  std::optional<Transfer> result;
};
using SlotPtr = std::shared_ptr<Slot>;

Transfer ended(Transfer::End end) {
  Transfer out;
  out.end = end;
  return out;
}

class LibusbPipes final : public Pipes {
 public:
  LibusbPipes(std::shared_ptr<LibusbThread> thread, Clock& clock, Interface interface)
      : thread_(std::move(thread)), clock_(clock), interface_(interface) {}
  ~LibusbPipes() override { close(); }

  Awaitable<Transfer> bulk_out(std::string bytes, TimePoint deadline) override {
    if (!open_) co_return ended(Transfer::End::cancelled);
    const SlotPtr slot = std::make_shared<Slot>(clock_);
    out_ = slot;
    slot->flight = thread_->bulk(interface_.out, std::move(bytes), 0, into(slot));
    co_return co_await wait_or_cancel(slot, deadline);
  }

  Awaitable<Transfer> bulk_in(std::size_t room, TimePoint deadline) override {
    if (!open_) co_return ended(Transfer::End::cancelled);
    if (!in_) {
      in_ = std::make_shared<Slot>(clock_);
      in_->flight = thread_->bulk(interface_.in, "", room, into(in_));
    }
    const SlotPtr slot = in_;
    Transfer got = co_await wait(slot, deadline);
    if (got.end != Transfer::End::timed_out && in_ == slot) in_.reset();
    co_return got;
  }

  Awaitable<void> cancel_in(TimePoint deadline) override {
    const SlotPtr slot = std::exchange(in_, nullptr);
    if (!slot || !open_) co_return;
    thread_->cancel(slot->flight);
    co_await wait(slot, deadline);
  }

  Awaitable<Transfer> interrupt_in(TimePoint deadline) override {
    if (!open_) co_return ended(Transfer::End::cancelled);
    const SlotPtr slot = std::make_shared<Slot>(clock_);
    interrupt_ = slot;
    constexpr std::size_t packet = 64;  // vendors put more than the two bytes into it
    slot->flight = thread_->interrupt(interface_.interrupt, packet, into(slot));
    co_return co_await wait_or_cancel(slot, deadline);
  }

  Awaitable<Transfer> control_in(Setup setup, TimePoint deadline) override {
    if (!open_) co_return ended(Transfer::End::cancelled);
    const SlotPtr slot = std::make_shared<Slot>(clock_);
    control_ = slot;
    slot->flight = thread_->control(setup, into(slot));
    co_return co_await wait_or_cancel(slot, deadline);
  }

  Awaitable<Transfer> clear_halt(std::uint8_t endpoint, TimePoint deadline) override {
    if (!open_) co_return ended(Transfer::End::cancelled);
    const SlotPtr slot = std::make_shared<Slot>(clock_);
    halt_ = slot;
    thread_->clear_halt(endpoint, into(slot));
    co_return co_await wait(slot, deadline);
  }

  void close() override {
    if (!std::exchange(open_, false)) return;
    thread_->close();
    for (const SlotPtr& each : {out_, in_, interrupt_, control_, halt_}) {
      if (each) each->news.ring();
    }
  }

  std::uint8_t interface_number() const override {
    return static_cast<std::uint8_t>(interface_.number);
  }
  std::uint8_t out_endpoint() const override { return interface_.out; }
  std::uint8_t in_endpoint() const override { return interface_.in; }
  std::uint8_t interrupt_endpoint() const override { return interface_.interrupt; }
  std::size_t in_packet() const override { return interface_.in_packet; }

 private:
  static LibusbThread::Ended into(const SlotPtr& slot) {
    return [slot](Transfer outcome) {
      slot->result = std::move(outcome);
      slot->news.ring();
    };
  }

  Awaitable<Transfer> wait(SlotPtr slot, TimePoint deadline) {
    while (!slot->result) {
      if (!open_) co_return ended(Transfer::End::cancelled);
      const Wake::Why why = co_await slot->news.wait(deadline);
      if (slot->result) break;
      if (why == Wake::Why::late) co_return ended(Transfer::End::timed_out);
      if (why == Wake::Why::stopped) co_return ended(Transfer::End::cancelled);
    }
    co_return *std::move(slot->result);
  }

  Awaitable<Transfer> wait_or_cancel(SlotPtr slot, TimePoint deadline) {
    Transfer got = co_await wait(slot, deadline);
    if (got.end == Transfer::End::timed_out && open_) thread_->cancel(slot->flight);
    co_return got;
  }

  std::shared_ptr<LibusbThread> thread_;
  Clock& clock_;
  Interface interface_;
  bool open_ = true;
  SlotPtr out_, in_, interrupt_, control_, halt_;
};

class LibusbPlug final : public Plug {
 public:
  explicit LibusbPlug(Clock& clock)
      : clock_(clock), thread_(std::make_shared<LibusbThread>(clock.context())) {}

  Awaitable<Result<std::shared_ptr<Pipes>>> open(UsbResource resource,
                                                 TimePoint deadline) override {
    const std::shared_ptr<LibusbThread> thread = thread_;
    Clock& clock = clock_;
    const auto opening = std::make_shared<Opening>(clock);
    opening_ = opening;
    thread->open(std::move(resource), [opening](const Result<Interface>& found) {
      opening->found = found;
      opening->news.ring();
    });
    while (!opening->found) {
      if (opening->stopped) co_return fail(ErrorKind::cancelled, "closed while opening");
      const Wake::Why why = co_await opening->news.wait(deadline);
      if (opening->found) break;
      if (why == Wake::Why::rung) continue;
      thread->close();
      if (why == Wake::Why::late) {
        co_return fail(ErrorKind::timeout, "the USB device could not be opened in time");
      }
      co_return fail(ErrorKind::cancelled, "stopped while opening");
    }
    if (opening->stopped) {
      thread->close();
      co_return fail(ErrorKind::cancelled, "closed while opening");
    }
    if (!*opening->found) co_return fail(opening->found->error());
    std::shared_ptr<Pipes> pipes = std::make_shared<LibusbPipes>(thread, clock, **opening->found);
    co_return pipes;
  }

  void cancel() override {
    if (!opening_ || opening_->stopped) return;
    opening_->stopped = true;
    if (!opening_->found) thread_->close();
    opening_->news.ring();
    opening_.reset();
  }

 private:
  struct Opening {
    explicit Opening(Clock& clock) : news(clock) {}
    Wake news;
    std::optional<Result<Interface>> found;
    bool stopped = false;
  };
  Clock& clock_;
  std::shared_ptr<LibusbThread> thread_;
  std::shared_ptr<Opening> opening_;
};

}  // namespace

std::unique_ptr<Plug> libusb_plug(Clock& clock) {
  return std::make_unique<LibusbPlug>(clock);
}

}  // namespace nightbench::link::usbtmc
