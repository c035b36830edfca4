#include "drivers/link/usbtmc/libusb_thread.hpp"

#include <sys/time.h>

#include <algorithm>
#include <boost/asio/post.hpp>
#include <utility>

namespace nightbench::link::usbtmc {
namespace {

// How long the thread waits for events before it looks whether there is something else to do; jobs
// interrupt it, so this only bounds a lost wake-up.
constexpr timeval long_wait{1, 0};
constexpr timeval short_wait{0, 50'000};
// Called-off transfers end at once; a controller that never gives one back must not hold us.
constexpr int most_farewells = 100;

Transfer::End end_of(libusb_transfer_status status) {
  switch (status) {
    case LIBUSB_TRANSFER_COMPLETED:
      return Transfer::End::done;
    case LIBUSB_TRANSFER_TIMED_OUT:
      return Transfer::End::timed_out;
    case LIBUSB_TRANSFER_CANCELLED:
      return Transfer::End::cancelled;
    case LIBUSB_TRANSFER_STALL:
      return Transfer::End::stalled;
    case LIBUSB_TRANSFER_NO_DEVICE:
      return Transfer::End::gone;
    default:
      return Transfer::End::failed;
  }
}

Transfer failed_with(int code) {
  Transfer out;
  out.number = code;
  out.end = Transfer::End::failed;
  if (code == LIBUSB_ERROR_NO_DEVICE || code == LIBUSB_ERROR_NOT_FOUND) {
    out.end = Transfer::End::gone;
  }
  if (code == LIBUSB_ERROR_PIPE) out.end = Transfer::End::stalled;
  return out;
}

}  // namespace

LibusbThread::~LibusbThread() {
  if (!thread_.joinable()) return;
  post_job([this] { do_close(); });
  {
    const std::lock_guard lock(mutex_);
    quit_ = true;
    woken_.notify_one();
  }
  thread_.join();
}

void LibusbThread::post_job(std::function<void()> job) {
  if (!thread_.joinable()) thread_ = std::thread([this] { run(); });
  const std::lock_guard lock(mutex_);
  jobs_.push_back(std::move(job));
  woken_.notify_one();
  if (interruptible_ != nullptr) libusb_interrupt_event_handler(interruptible_);
}

void LibusbThread::run() {
  for (;;) {
    take_jobs();
    if (context_) {
      timeval wait = long_wait;
      libusb_handle_events_timeout_completed(context_.get(), &wait, nullptr);
      const std::lock_guard lock(mutex_);
      if (quit_ && jobs_.empty()) break;
      continue;
    }
    std::unique_lock lock(mutex_);
    woken_.wait(lock, [this] { return quit_ || !jobs_.empty(); });
    if (quit_ && jobs_.empty()) break;
  }
  do_close();
}

void LibusbThread::take_jobs() {
  for (;;) {
    std::function<void()> job;
    {
      const std::lock_guard lock(mutex_);
      if (jobs_.empty()) return;
      job = std::move(jobs_.front());
      jobs_.pop_front();
    }
    job();
  }
}

void LibusbThread::open(UsbResource resource, Opened opened) {
  post_job([this, resource = std::move(resource), opened = std::move(opened)] {
    do_close();
    Result<Interface> found = fail(ErrorKind::internal, "");
    Result<Context> context = open_context();
    if (!context) {
      found = fail(std::move(context).error());
    } else {
      Result<std::unique_ptr<Claim>> claimed = claim(context->get(), resource);
      if (claimed) {
        claim_ = *std::move(claimed);
        context_ = *std::move(context);
        const std::lock_guard lock(mutex_);
        interruptible_ = context_.get();
        found = claim_->interface();
      } else {
        found = fail(std::move(claimed).error());
      }
    }
    boost::asio::post(io_, [opened, found] { opened(found); });
  });
}

void LibusbThread::close() {
  if (thread_.joinable()) post_job([this] { do_close(); });
}

void LibusbThread::do_close() {
  for (const auto& [number, flight] : flights_) libusb_cancel_transfer(flight->transfer);
  for (int i = 0; i < most_farewells && !flights_.empty(); ++i) {
    timeval wait = short_wait;
    libusb_handle_events_timeout_completed(context_.get(), &wait, nullptr);
  }
  {
    const std::lock_guard lock(mutex_);
    interruptible_ = nullptr;
  }
  if (!flights_.empty()) {
    // Freeing what the controller still holds would be worse than keeping it.
    for (auto& [number, flight] : flights_) static_cast<void>(flight.release());
    flights_.clear();
    static_cast<void>(claim_.release());
    static_cast<void>(context_.release());
    return;
  }
  claim_.reset();
  context_.reset();
}

std::uint64_t LibusbThread::bulk(std::uint8_t endpoint, std::string bytes, std::size_t room,
                                 Ended ended) {
  const bool in = (endpoint & LIBUSB_ENDPOINT_IN) != 0;
  std::vector<unsigned char> buffer(bytes.begin(), bytes.end());
  if (in) buffer.resize(room);
  return launch(endpoint, LIBUSB_TRANSFER_TYPE_BULK, std::move(buffer), 0, in, std::move(ended));
}

std::uint64_t LibusbThread::interrupt(std::uint8_t endpoint, std::size_t room, Ended ended) {
  std::vector<unsigned char> buffer(room);
  return launch(endpoint, LIBUSB_TRANSFER_TYPE_INTERRUPT, std::move(buffer), 0, true,
                std::move(ended));
}

std::uint64_t LibusbThread::control(Setup setup, Ended ended) {
  const SetupBytes head = encode(setup);
  std::vector<unsigned char> buffer(head.begin(), head.end());
  buffer.resize(head.size() + setup.length);
  return launch(0, LIBUSB_TRANSFER_TYPE_CONTROL, std::move(buffer), head.size(), true,
                std::move(ended));
}

std::uint64_t LibusbThread::launch(std::uint8_t endpoint, int kind,
                                   std::vector<unsigned char> buffer, std::size_t head, bool in,
                                   Ended ended) {
  auto flight = std::make_shared<std::unique_ptr<Flight>>(std::make_unique<Flight>());
  Flight& made = **flight;
  made.owner = this;
  made.number = ++numbers_;
  made.buffer = std::move(buffer);
  made.head = head;
  made.in = in;
  made.ended = std::move(ended);
  const std::uint64_t number = made.number;
  post_job([this, flight, endpoint, kind] { submit(std::move(*flight), endpoint, kind); });
  return number;
}

void LibusbThread::submit(std::unique_ptr<Flight> flight, std::uint8_t endpoint, int kind) {
  Flight& made = *flight;
  if (!claim_) return finish(made, failed_with(LIBUSB_ERROR_NO_DEVICE));
  made.transfer = libusb_alloc_transfer(0);
  if (made.transfer == nullptr) return finish(made, failed_with(LIBUSB_ERROR_NO_MEM));
  libusb_transfer& transfer = *made.transfer;
  transfer.dev_handle = claim_->handle();
  transfer.endpoint = endpoint;
  transfer.type = static_cast<unsigned char>(kind);
  transfer.timeout = 0;  // deadlines are the clock's
  transfer.buffer = made.buffer.data();
  transfer.length = static_cast<int>(made.buffer.size());
  transfer.user_data = &made;
  transfer.callback = landed;
  const int code = libusb_submit_transfer(made.transfer);
  if (code != 0) {
    libusb_free_transfer(made.transfer);
    return finish(made, failed_with(code));
  }
  flights_.emplace(made.number, std::move(flight));
}

void LibusbThread::landed(libusb_transfer* transfer) {
  Flight& flight = *static_cast<Flight*>(transfer->user_data);
  LibusbThread& owner = *flight.owner;
  Transfer outcome;
  outcome.end = end_of(transfer->status);
  outcome.number = transfer->status;
  if (flight.in) {
    const auto begin = flight.buffer.begin() + static_cast<std::ptrdiff_t>(flight.head);
    outcome.bytes.assign(begin, begin + transfer->actual_length);
  }
  owner.finish(flight, std::move(outcome));
  libusb_free_transfer(transfer);
  owner.flights_.erase(flight.number);
}

void LibusbThread::finish(Flight& flight, Transfer outcome) {
  boost::asio::post(
      io_, [ended = std::move(flight.ended), outcome = std::move(outcome)] { ended(outcome); });
}

void LibusbThread::cancel(std::uint64_t number) {
  post_job([this, number] {
    const auto found = flights_.find(number);
    if (found != flights_.end()) libusb_cancel_transfer(found->second->transfer);
  });
}

void LibusbThread::clear_halt(std::uint8_t endpoint, Ended ended) {
  post_job([this, endpoint, ended = std::move(ended)] {
    Transfer outcome;
    const int code =
        claim_ ? libusb_clear_halt(claim_->handle(), endpoint) : LIBUSB_ERROR_NO_DEVICE;
    if (code == 0) {
      outcome.end = Transfer::End::done;
    } else {
      outcome = failed_with(code);
    }
    boost::asio::post(io_, [ended, outcome] { ended(outcome); });
  });
}

}  // namespace nightbench::link::usbtmc
