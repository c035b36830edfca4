// What a USBTMC session does when a transfer was cut short, and device clear (USBTMC 4.2.1).
#include <algorithm>
#include <utility>

#include "drivers/link/usbtmc/session.hpp"

namespace nightbench::link::usbtmc {
namespace {

constexpr int most_rounds = 100;  // transfers read in vain
constexpr std::size_t drain_room = 65'536;
constexpr Duration pending_pause = std::chrono::milliseconds(5);
constexpr Duration drain_limit = std::chrono::milliseconds(500);
constexpr Duration tail_limit = std::chrono::milliseconds(100);

std::size_t drain_size(std::size_t packet) {
  return std::max(drain_room / packet, std::size_t{1}) * packet;
}

}  // namespace

Awaitable<Result<void>> Session::finish_tail(TimePoint deadline) {
  if (!std::exchange(tail_due_, false)) co_return Result<void>{};
  const TimePoint until = std::min(deadline, clock_.now() + tail_limit);
  const Pulled got = co_await pull(pipes_->in_packet(), until);
  switch (got.end) {
    case Transfer::End::done:
      tail_possible_ = false;
      co_return Result<void>{};
    case Transfer::End::timed_out:
      lacks_tail_ = clock_.now() < deadline;
      co_await pipes_->cancel_in(deadline);
      room_ = 0;
      co_return Result<void>{};
    case Transfer::End::stalled:
      co_return co_await unhalt(pipes_->in_endpoint(), deadline);
    default:
      co_return failed(got, "asked for the end of its answer");
  }
}

Awaitable<Result<void>> Session::mend_out(TimePoint deadline) {
  if (!broken_out_) co_return Result<void>{};
  co_return co_await abort_out(deadline);
}

Awaitable<Result<Check>> Session::check(Request request, std::uint8_t type, std::uint16_t length,
                                        TimePoint deadline) {
  const Transfer reply = co_await control(request, type, 0, length, deadline);
  if (reply.end != Transfer::End::done) co_return failed(reply, "asked whether it has finished");
  std::string bytes = reply.bytes;
  if (bytes.size() < 2) bytes.resize(2, '\0');
  co_return decode_check(bytes);
}

Awaitable<Result<void>> Session::abort_out(TimePoint deadline) {
  const std::uint8_t out = pipes_->out_endpoint();
  const Transfer begun =
      co_await control(Request::initiate_abort_bulk_out, to_endpoint, *broken_out_, 2, deadline);
  if (begun.end == Transfer::End::stalled) {  // a device that does not know how
    broken_out_.reset();
    co_return co_await unhalt(out, deadline);
  }
  if (begun.end != Transfer::End::done) co_return failed(begun, "told to forget a message");
  if (static_cast<Status>(begun.bytes[0]) != Status::success) {  // nothing to abort, never CHECK
    broken_out_.reset();
    co_return Result<void>{};
  }
  while (clock_.now() < deadline) {
    const Result<Check> now =
        co_await check(Request::check_abort_bulk_out_status, to_endpoint, 8, deadline);
    if (!now) co_return fail(now.error());
    if (now->status != Status::pending) {
      broken_out_.reset();
      co_return co_await unhalt(out, deadline);
    }
    co_await sleep_for(clock_, pending_pause);
  }
  co_return fail(ErrorKind::timeout, "the instrument does not end an aborted message in time");
}

// Reads what is left of a transfer, to its short packet.
Awaitable<Result<void>> Session::drain_in(TimePoint deadline) {
  const TimePoint until = std::min(deadline, clock_.now() + drain_limit);
  for (int i = 0; i < most_rounds; ++i) {
    const Pulled got = co_await pull(drain_size(pipes_->in_packet()), until);
    if (got.end == Transfer::End::stalled)
      co_return co_await unhalt(pipes_->in_endpoint(), deadline);
    if (got.end == Transfer::End::timed_out) {
      // There was nothing: some devices send no last packet.
      co_await pipes_->cancel_in(deadline);
      room_ = 0;
      co_return Result<void>{};
    }
    if (got.end != Transfer::End::done) co_return failed(got, "told to forget its answer");
    if (got.ended) co_return Result<void>{};
  }
  co_return fail(ErrorKind::bad_data, "USBTMC: the instrument sends an endless answer");
}

// The pending IN transfer stays until the device ends it (USBTMC 4.2.1.4).
Awaitable<Result<void>> Session::abort_in(TimePoint deadline) {
  const Transfer begun =
      co_await control(Request::initiate_abort_bulk_in, to_endpoint, asked_->tag, 2, deadline);
  if (begun.end != Transfer::End::done && begun.end != Transfer::End::stalled) {
    co_return failed(begun, "told to forget its answer");
  }
  const auto status = static_cast<Status>(begun.bytes.empty() ? '\0' : begun.bytes[0]);
  asked_.reset();
  tail_possible_ = true;
  if (begun.end == Transfer::End::stalled || status == Status::failed) {
    // It does not know how, or has nothing under way.
    co_await pipes_->cancel_in(deadline);
    room_ = 0;
    if (begun.end == Transfer::End::stalled) {
      co_return co_await unhalt(pipes_->in_endpoint(), deadline);
    }
    co_return Result<void>{};
  }
  CO_TRY(co_await drain_in(deadline));
  if (status != Status::success) co_return Result<void>{};  // another transfer: never CHECK
  while (clock_.now() < deadline) {
    const Result<Check> now =
        co_await check(Request::check_abort_bulk_in_status, to_endpoint, 8, deadline);
    if (!now) co_return fail(now.error());
    if (now->status != Status::pending) co_return Result<void>{};
    if (now->fifo_has_data) {
      CO_TRY(co_await drain_in(deadline));
    } else {
      co_await sleep_for(clock_, pending_pause);
    }
  }
  co_return fail(ErrorKind::timeout, "the instrument does not end an aborted answer in time");
}

Awaitable<Result<void>> Session::clear(TimePoint deadline) {
  if (lost_) co_return fail(*lost_);
  co_await pipes_->cancel_in(deadline);
  room_ = 0;
  asked_.reset();
  broken_out_.reset();
  tail_due_ = false;
  forget_unread();
  tail_possible_ = true;
  const Transfer begun = co_await control(Request::initiate_clear, to_interface, 0, 1, deadline);
  if (begun.end == Transfer::End::stalled) {
    CO_TRY(co_await unhalt(pipes_->out_endpoint(), deadline));
    CO_TRY(co_await unhalt(pipes_->in_endpoint(), deadline));
    co_return fail(ErrorKind::refused, "the instrument knows no device clear over USB");
  }
  if (begun.end != Transfer::End::done) co_return failed(begun, "cleared");
  const auto status = static_cast<Status>(begun.bytes[0]);
  if (status != Status::success) {
    co_return fail(ErrorKind::refused, "USBTMC: no device clear: " + describe(status));
  }
  while (clock_.now() < deadline) {
    const Result<Check> now =
        co_await check(Request::check_clear_status, to_interface, 2, deadline);
    if (!now) co_return fail(now.error());
    if (now->status == Status::success) co_return co_await unhalt(pipes_->out_endpoint(), deadline);
    if (now->status != Status::pending) {
      co_return fail(ErrorKind::refused, "USBTMC: device clear: " + describe(now->status));
    }
    if (now->fifo_has_data) {
      CO_TRY(co_await drain_in(deadline));
    } else {
      co_await sleep_for(clock_, pending_pause);
    }
  }
  co_return fail(ErrorKind::timeout, "the instrument does not end a device clear in time");
}

}  // namespace nightbench::link::usbtmc
