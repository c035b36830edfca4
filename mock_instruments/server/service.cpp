#include "mock_instruments/server/service.hpp"

#include <algorithm>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/io_context.hpp>
#include <charconv>
#include <utility>

namespace nightbench::mock::server {
namespace asio = boost::asio;

void LineBuffer::append(std::string_view bytes) {
  while (!bytes.empty()) {
    const std::size_t newline = bytes.find('\n');
    const std::size_t count = std::min(newline, bytes.size() - 1) + 1;
    const std::string_view part = bytes.substr(0, count);
    bytes.remove_prefix(count);
    if (!discarding_ && bytes_.size() + part.size() <= most) {
      bytes_ += part;
      continue;
    }
    if (!discarding_) {  // the beginning of the line that is too long goes too
      const std::size_t end = bytes_.rfind('\n');
      bytes_.resize(end == std::string::npos ? 0 : end + 1);
      overrun_ = true;
    }
    discarding_ = newline == std::string_view::npos;
  }
}

bool LineBuffer::take(std::string& line) {
  const std::size_t newline = bytes_.find('\n');
  if (newline == std::string::npos) return false;
  line = bytes_.substr(0, newline);
  bytes_.erase(0, newline + 1);
  return true;
}

bool LineBuffer::take_overrun() {
  return std::exchange(overrun_, false);
}

void LineBuffer::clear() {
  bytes_.clear();
  discarding_ = false;
  overrun_ = false;
}

Service::Service(std::unique_ptr<instrument::Instrument> instrument, Clock& clock,
                 Troubles troubles, bool refuses_second)
    : instrument_(std::move(instrument)),
      clock_(clock),
      troubles_(std::move(troubles)),
      refuses_second_(refuses_second),
      start_(clock.now()),
      idle_(clock) {
  for (const double at_s : troubles_.moments()) {
    moments_.push_back(clock_.arm(start_ + from_seconds(at_s), [this] { strike_now(); }));
  }
}

void Service::strike_now() {
  if (stopped_) return;
  // Rounded to the clock's ticks the moment may lie a trifle before the time in the file.
  constexpr double kTick_s = 1e-6;
  const std::vector<Trouble> strikes =
      troubles_.strike_at(seconds(clock_.now() - start_) + kTick_s);
  const bool stays = strike_before(strikes);
  if (!stays && serving_ != nullptr) serving_->close();
  idle_.ring();
}

bool Service::admit(std::unique_ptr<link::Stream> stream) {
  const bool off = stopped_ || clock_.now() < off_until_;
  if (off || (serving_ != nullptr && refuses_second_)) {
    stream->close();
    return false;
  }
  waiting_.push_back(std::move(stream));
  if (serving_ == nullptr) next_client();
  return true;
}

void Service::next_client() {
  if (stopped_ || waiting_.empty()) return;
  serving_ = std::move(waiting_.front());
  waiting_.pop_front();
  asio::co_spawn(clock_.context(), serve(shared_from_this(), owner_.lock(), serving_),
                 asio::detached);
}

void Service::stop() {
  stopped_ = true;
  idle_.ring();
  if (serving_ != nullptr) serving_->close();
  for (const auto& each : waiting_) each->close();
  waiting_.clear();
}

Awaitable<void> Service::serve(std::shared_ptr<Service> self,
                               [[maybe_unused]] std::shared_ptr<void> owner,
                               std::shared_ptr<link::Stream> stream) {
  self->input_.clear();
  constexpr std::size_t kPiece = 4096;
  bool open = true;
  while (open && !self->stopped_) {
    if (self->input_.take_overrun()) self->instrument_->overrun();
    std::string line;
    if (self->input_.take(line)) {
      open = co_await self->handle(*stream, std::move(line));
      continue;
    }
    const Result<std::string> bytes = co_await stream->read_some(kPiece, TimePoint::max());
    open = bytes.has_value();
    if (open) self->input_.append(*bytes);
  }
  stream->close();
  self->instrument_->device_clear();
  self->serving_.reset();
  self->next_client();
}

Awaitable<bool> Service::wait_until(link::Stream& stream, TimePoint when) {
  constexpr std::size_t kPiece = 4096;
  while (clock_.now() < when) {
    if (input_.full() && when != TimePoint::max()) {
      co_await sleep_until(clock_, when);
      break;
    }
    const Result<std::string> bytes = co_await stream.read_some(kPiece, when);
    if (bytes)
      input_.append(*bytes);
    else if (bytes.error().kind != ErrorKind::timeout)
      co_return false;
  }
  co_return !stopped_;
}

Awaitable<bool> Service::handle(link::Stream& stream, std::string line) {
  while (busy_ && !stopped_) co_await idle_.wait(TimePoint::max());
  if (stopped_) co_return false;
  const Turn turn(*this);
  const std::vector<Trouble> strikes = troubles_.strike(line, seconds(clock_.now() - start_));
  if (!strike_before(strikes)) co_return false;
  const TimePoint began = clock_.now();
  TimePoint ended = began;
  instrument_->begin(std::move(line), began);
  for (;;) {
    const instrument::Instrument::Progress progress = instrument_->run(clock_.now());
    if (progress.done) break;
    ended = progress.again;
    const bool here = co_await wait_until(stream, progress.again);
    if (!here) co_return false;
  }
  impose(began, ended);
  std::optional<std::string> response = instrument_->take_response();
  if (!response) co_return true;
  const Answer how = plan_answer(strikes);
  const bool sent = co_await send(stream, *std::move(response), how);
  co_return sent;
}

void Service::impose(TimePoint began, TimePoint ended) {
  if (imposed_ == nullptr) return;
  imposed_->add(began, ended);
  const TimePoint under_way = instrument_->operations_end();
  if (under_way != TimePoint::max()) imposed_->add(clock_.now(), under_way);
}

bool Service::strike_before(const std::vector<Trouble>& strikes) {
  for (const Trouble& trouble : strikes) {
    switch (trouble.kind) {
      case TroubleKind::drop:
        return false;
      case TroubleKind::reset:
        instrument_->device_clear();
        instrument_->begin("*RST", clock_.now());
        instrument_->run(clock_.now());
        instrument_->device_clear();
        break;
      case TroubleKind::error_entry:
        instrument_->push_error(trouble.number.value_or(-310), trouble.text.value_or(""));
        break;
      case TroubleKind::never_complete:
        instrument_->never_complete();
        break;
      case TroubleKind::wrong_identity: {
        instrument::Identity other = instrument_->identity();
        other.model = trouble.text.value_or("SIM-SOMETHING-ELSE");
        instrument_->set_identity(std::move(other));
        break;
      }
      case TroubleKind::power_loss:
        instrument_->power_on(clock_.now());
        off_until_ = clock_.now() + from_seconds(trouble.delay_s.value_or(2.0));
        for (const auto& each : waiting_) each->close();
        waiting_.clear();
        return false;
      default:
        break;
    }
  }
  return true;
}

Service::Answer Service::plan_answer(const std::vector<Trouble>& strikes) {
  Answer out;
  for (const Trouble& trouble : strikes) {
    switch (trouble.kind) {
      case TroubleKind::hang:
        out.never = true;
        break;
      case TroubleKind::trickle:
        out.gap = from_seconds(trouble.delay_s.value_or(0.01));
        break;
      case TroubleKind::garbage:
        out.garbage = trouble.bytes.value_or(32);
        break;
      case TroubleKind::truncated_block:
        out.truncated = true;
        out.keep = trouble.bytes;
        break;
      case TroubleKind::oversized_block:
        out.announced = trouble.bytes.value_or(4'000'000'000);
        break;
      case TroubleKind::wrong_terminator:
        out.terminator = trouble.text.value_or("\r");
        break;
      case TroubleKind::late_answer:
        out.late = from_seconds(trouble.delay_s.value_or(5.0));
        break;
      default:
        break;
    }
  }
  return out;
}

std::string Service::spoil(std::string response, const Answer& how) {
  if (how.announced) {
    std::size_t body = 0;
    if (response.size() > 2 && response[0] == '#' && response[1] >= '1' && response[1] <= '9') {
      body = 2 + static_cast<std::size_t>(response[1] - '0');
    }
    const std::string count = std::to_string(*how.announced);
    response.replace(
        0, std::min(body, response.size()),
        '#' + std::to_string(std::min<std::size_t>(count.size(), 9)) + count.substr(0, 9));
  }
  if (how.garbage) {
    response.clear();
    for (std::uint64_t i = 0; i < std::min<std::uint64_t>(*how.garbage, 1U << 20); ++i) {
      const char byte = static_cast<char>(troubles_.random().next() & 0xFFU);
      response += byte == '\n' ? ' ' : byte;
    }
  }
  if (how.truncated) {
    response.resize(
        std::min<std::uint64_t>(how.keep.value_or(response.size() / 2), response.size()));
    return response;
  }
  return response + how.terminator;
}

Awaitable<bool> Service::send(link::Stream& stream, std::string response, const Answer& how) {
  if (how.never) {
    const bool here = co_await wait_until(stream, TimePoint::max());
    co_return here;
  }
  if (how.late > Duration{}) {
    const bool here = co_await wait_until(stream, clock_.now() + how.late);
    if (!here) co_return false;
  }
  const std::string bytes = spoil(std::move(response), how);
  if (!how.gap) {
    const Result<void> sent = co_await stream.write_all(bytes, TimePoint::max());
    co_return sent.has_value();
  }
  for (const char byte : bytes) {
    const bool here = co_await wait_until(stream, clock_.now() + *how.gap);
    if (!here) co_return false;
    const std::string one(1, byte);
    const Result<void> sent = co_await stream.write_all(one, TimePoint::max());
    if (!sent) co_return false;
  }
  co_return true;
}

}  // namespace nightbench::mock::server
