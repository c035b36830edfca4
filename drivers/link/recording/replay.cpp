#include "drivers/link/recording/replay.hpp"

#include <boost/asio/redirect_error.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <cerrno>
#include <cstring>
#include <utility>

namespace nightbench::link {
namespace asio = boost::asio;
namespace {

constexpr std::size_t kMostLine = std::size_t{1} << 28;  // a block of 100 million points in base64

std::string shown(Operation operation, std::string_view bytes) {
  const bool spoken = operation == Operation::write || operation == Operation::answer;
  return std::string(word(operation)) + (spoken ? " '" + excerpt(bytes, 100) + "'" : "");
}

class ReplayedLink final : public Link {
 public:
  ReplayedLink(std::string who, std::shared_ptr<Recording> recording, Clock& clock)
      : who_(std::move(who)), recording_(std::move(recording)), clock_(clock) {
    // What a connection is like is known from the first one, should anybody ask before.
    const auto first = recording_->peek(who_);
    if (first && *first != nullptr && (*first)->operation == Operation::connect) {
      resource_ = (*first)->resource;
      marks_end_ = (*first)->marks_end;
    }
    if (resource_.empty()) resource_ = "recording of " + who_;
  }
  ~ReplayedLink() override { close(); }

  Awaitable<Result<void>> write(std::string_view message, TimePoint) override {
    CO_TRY(co_await next(Operation::write, std::string(message)));
    co_return Result<void>();
  }
  Awaitable<Result<Chunk>> read(std::size_t most, TimePoint) override {
    CO_TRY_ASSIGN(Entry entry, co_await next(Operation::read, ""));
    Chunk chunk;
    chunk.bytes = std::move(entry.bytes);
    chunk.end = entry.end;
    if (chunk.bytes.size() > most) {
      Error error;
      error.kind = ErrorKind::bad_input;
      error.message = "the recording has " + std::to_string(chunk.bytes.size()) +
                      " bytes here, the program reads " + std::to_string(most) + " at most";
      co_return fail(std::move(error));
    }
    co_return chunk;
  }
  Awaitable<Result<void>> clear(TimePoint) override {
    CO_TRY(co_await next(Operation::clear, ""));
    co_return Result<void>();
  }
  Awaitable<Result<std::uint8_t>> status_byte(TimePoint) override {
    CO_TRY_ASSIGN(const Entry entry, co_await next(Operation::status, ""));
    co_return static_cast<std::uint8_t>(entry.status);
  }
  Awaitable<Result<void>> connect(TimePoint) override {
    open_ = false;
    CO_TRY_ASSIGN(const Entry entry, co_await next(Operation::connect, ""));
    resource_ = entry.resource;
    marks_end_ = entry.marks_end;
    open_ = true;
    co_return Result<void>();
  }

  void close() override {
    open_ = false;
    ++closed_;
    if (waiting_ != nullptr) waiting_->cancel();
  }
  bool is_open() const override { return open_; }
  bool marks_end() const override { return marks_end_; }
  const std::string& resource() const override { return resource_; }

 private:
  // What happened then, at the time at which it did.
  Awaitable<Result<Entry>> next(Operation operation, std::string bytes) {
    if (!open_ && operation != Operation::connect) {
      co_return fail(ErrorKind::refused, "the connection is closed");
    }
    CO_TRY_ASSIGN(Entry entry, recording_->take(who_, operation, bytes));
    const int closed = closed_;
    asio::steady_timer woken(clock_.context(), asio::steady_timer::time_point::max());
    waiting_ = &woken;
    {
      const auto alarm =
          clock_.arm(TimePoint(entry.at + entry.took), [&woken] { woken.cancel(); });
      boost::system::error_code ignored;
      co_await woken.async_wait(asio::redirect_error(asio::use_awaitable, ignored));
    }
    waiting_ = nullptr;
    if (closed_ != closed) co_return fail(ErrorKind::cancelled, "the connection was closed");
    if (!entry.error) co_return entry;
    if (entry.error->kind == ErrorKind::refused) open_ = false;
    co_return fail(*entry.error);
  }

  std::string who_;
  std::shared_ptr<Recording> recording_;
  Clock& clock_;
  std::string resource_;
  bool marks_end_ = false;
  bool open_ = false;
  int closed_ = 0;
  asio::steady_timer* waiting_ = nullptr;
};

}  // namespace

Recording::Recording(const std::filesystem::path& file)
    : file_(file.string()), stream_(file, std::ios::binary) {}

Result<std::shared_ptr<Recording>> Recording::open(const std::filesystem::path& file) {
  std::shared_ptr<Recording> out(new Recording(file));
  const auto refused = [&](std::string message) {
    Error error;
    error.kind = ErrorKind::bad_input;
    error.file = out->file_;
    error.message = std::move(message);
    return fail(std::move(error));
  };
  if (!out->stream_) return refused(std::string("cannot be opened: ") + std::strerror(errno));
  std::string line;
  if (!std::getline(out->stream_, line) || out->stream_.eof()) {
    return refused("is no recording: it has no head");
  }
  ++out->line_;
  TRY_ASSIGN(out->heading_, heading_from(line, out->file_ + ":1"));
  return out;
}

Result<bool> Recording::read_on() {
  std::string line;
  if (!std::getline(stream_, line)) return false;
  ++line_;
  if (stream_.eof()) {
    // The program was killed while it wrote this one.
    cut_short_ = true;
    return false;
  }
  const std::string place = file_ + ":" + std::to_string(line_);
  if (line.size() > kMostLine) {
    Error error;
    error.kind = ErrorKind::bad_input;
    error.file = place;
    error.message = "is longer than any line of a recording";
    return fail(std::move(error));
  }
  TRY_ASSIGN(Entry entry, entry_from(line, place));
  waiting_[entry.who].push_back(std::move(entry));
  return true;
}

Result<const Entry*> Recording::peek(const std::string& who) {
  std::deque<Entry>& mine = waiting_[who];
  while (mine.empty()) {
    TRY_ASSIGN(const bool more, read_on());
    if (!more) return static_cast<const Entry*>(nullptr);
  }
  return &mine.front();
}

std::unexpected<Error> Recording::diverge(const std::string& who, std::string message) {
  Error error;
  error.kind = ErrorKind::bad_input;
  error.file = file_;
  error.instrument = who;
  error.message = std::move(message);
  divergence_ = error;
  return fail(std::move(error));
}

Result<Entry> Recording::take(const std::string& who, Operation operation,
                              std::string_view bytes) {
  if (divergence_) return fail(*divergence_);
  TRY_ASSIGN(const Entry* const next, peek(who));
  const std::string now = shown(operation, bytes);
  if (next == nullptr) {
    return diverge(who,
                   std::string("the recording ends before ") + now +
                       (cut_short_ ? " (its last line is cut short)" : ""));
  }
  const bool same = next->operation == operation &&
                    ((operation != Operation::write && operation != Operation::answer) ||
                     next->bytes == bytes);
  if (!same) {
    return diverge(who,
                   "the recording goes on with " + shown(next->operation, next->bytes) +
                       ", the program with " + now);
  }
  Entry out = std::move(waiting_[who].front());
  waiting_[who].pop_front();
  return out;
}

std::unique_ptr<Link> replayed(std::string who, std::shared_ptr<Recording> recording,
                               Clock& clock) {
  return std::make_unique<ReplayedLink>(std::move(who), std::move(recording), clock);
}

}  // namespace nightbench::link
