#include "drivers/scpi/session.hpp"

#include <algorithm>
#include <utility>

#include "drivers/scpi/error_text.hpp"

namespace nightbench::scpi {
namespace {

constexpr Duration kTimePerByte = std::chrono::microseconds(10);
constexpr std::size_t kMostShown = 160;

class Busy {
 public:
  explicit Busy(bool& flag) : flag_(flag) { flag_ = true; }
  ~Busy() { flag_ = false; }
  Busy(const Busy&) = delete;
  Busy& operator=(const Busy&) = delete;

 private:
  bool& flag_;
};

Error busy_error(const std::string& instrument) {
  Error error;
  error.kind = ErrorKind::internal;
  error.instrument = instrument;
  error.message = "an operation was started while another is pending";
  return error;
}

bool is_event(int number) {
  return number <= -600 && number >= -899;
}
constexpr int kPowerOn = -500;

}  // namespace

Session::Session(std::unique_ptr<link::Link> link, Clock& clock, std::string instrument,
                 Options options)
    : link_(std::move(link)),
      clock_(clock),
      instrument_(std::move(instrument)),
      options_(std::move(options)),
      reader_(*link_) {}

Session::~Session() {
  link_->close();
}

void Session::close() {
  closed_ = true;
  link_->close();
}

void Session::tell(Traffic::Kind kind, std::string_view bytes) {
  if (observer_) observer_(Traffic{kind, bytes, clock_.now()});
}

Error Session::tagged(Error error, const std::string& command) const {
  if (error.instrument.empty()) error.instrument = instrument_;
  if (error.command.empty()) error.command = command;
  return error;
}

std::unexpected<Error> Session::lost(Error error, const std::string& command) {
  in_step_ = false;
  reader_.discard();
  return fail(tagged(std::move(error), command));
}

void Session::remember(const std::string& command) {
  if (unchecked_.size() > kMostShown) return;
  if (!unchecked_.empty()) unchecked_ += ';';
  unchecked_ += command;
  if (unchecked_.size() > kMostShown) unchecked_ = unchecked_.substr(0, kMostShown) + "...";
}

std::string Session::on_the_wire(const std::string& text) const {
  std::string out = text;
  if (!options_.leading_colon && !out.empty() && out.front() == ':') out.erase(0, 1);
  if (!link_->marks_end()) out += options_.terminator;
  return out;
}

std::vector<std::string> Session::chained(const std::vector<std::string>& texts) const {
  // Without leading colons a chained header would start inside the previous one's path (SCPI-1999
  // volume 1, 6.2.4).
  if (!options_.may_chain || !options_.leading_colon) return texts;
  std::vector<std::string> out;
  for (const std::string& text : texts) {
    if (!out.empty() && out.back().size() + 1 + text.size() <= options_.most_message) {
      out.back() += ';';
      out.back() += text;
    } else {
      out.push_back(text);
    }
  }
  return out;
}

// ---- one message, one exchange ----

Awaitable<Result<void>> Session::ready() {
  if (closed_) {
    Error error;
    error.kind = ErrorKind::cancelled;
    error.message = "the session is closed";
    co_return fail(std::move(error));
  }
  if (in_step_ && link_->is_open()) {
    if (clock_.now() < earliest_) co_await sleep_until(clock_, earliest_);
    const Result<void> peeked = co_await reader_.peek(clock_.now());
    if (peeked && reader_.leftover().empty()) co_return Result<void>{};
    if (peeked) tell(Traffic::Kind::note, "nobody asked for '" + shown(reader_.leftover()) + "'");
  }
  // Losses that an operation met itself have been told by it; this one nobody knows of yet.
  const bool untold = in_step_;
  const std::string unchecked = unchecked_;
  in_step_ = false;
  CO_TRY(co_await do_resynchronise());
  if (untold && !unchecked.empty() && !unreported_) {
    Error error;
    error.kind = ErrorKind::refused;
    error.command = unchecked;
    error.message = "the connection was lost after this, which may not have arrived";
    co_return fail(tagged(std::move(error), ""));
  }
  co_return Result<void>{};
}

Awaitable<Result<void>> Session::send(const std::string& text, TimePoint deadline) {
  tell(Traffic::Kind::sent, text);
  const std::string message = on_the_wire(text);
  Result<void> sent = co_await link_->write(message, deadline);
  earliest_ = clock_.now() + options_.gap;
  if (!sent) co_return lost(std::move(sent).error(), text);
  co_return Result<void>{};
}

// Writes and reads one line, whatever the state of the session.
Awaitable<Result<std::string>> Session::exchange(const std::string& text, Duration timeout) {
  const TimePoint deadline = clock_.now() + timeout;
  CO_TRY(co_await send(text, deadline));
  Result<std::string> line = co_await reader_.line(options_.most_line, deadline);
  earliest_ = clock_.now() + options_.gap;
  if (!line) co_return lost(std::move(line).error(), text);
  tell(Traffic::Kind::received, *line);
  co_return line;
}

Awaitable<Result<std::string>> Session::do_query(std::string text, Duration timeout) {
  const Result<void> set = co_await ready();
  if (!set) co_return fail(tagged(set.error(), text));
  co_return co_await exchange(text, timeout);
}

Awaitable<Result<void>> Session::do_commands(std::vector<std::string> texts) {
  const std::vector<std::string> messages = chained(texts);
  for (const std::string& text : messages) {
    const Result<void> set = co_await ready();
    if (!set) co_return fail(tagged(set.error(), text));
    remember(text);
    CO_TRY(co_await send(text, clock_.now() + options_.timeout));
  }
  co_return Result<void>{};
}

// ---- the error queue ----

Error Session::device_error(const QueueEntry& entry) const {
  Error error;
  error.kind = ErrorKind::device;
  error.number = entry.number;
  error.instrument = instrument_;
  error.command = unchecked_;
  const std::string standard = error_text(entry.number);
  error.message = std::to_string(entry.number);
  if (!standard.empty()) error.message += ' ' + standard;
  if (!entry.text.empty() && entry.text != standard) {
    error.message += standard.empty() ? " " : ": ";
    error.message += entry.text;
  }
  return error;
}

// Empties the queue and gives its first entry that is an error.
Awaitable<Result<std::optional<QueueEntry>>> Session::drain() {
  std::optional<QueueEntry> first;
  if (!options_.has_error_queue) co_return first;
  for (int i = 0; i < options_.most_errors; ++i) {
    if (clock_.now() < earliest_) co_await sleep_until(clock_, earliest_);
    const Result<std::string> answer = co_await exchange(options_.error_query, options_.timeout);
    if (!answer) co_return fail(answer.error());
    Result<QueueEntry> entry = parse_queue_entry(*answer);
    if (!entry) co_return lost(std::move(entry).error(), options_.error_query);
    if (entry->number == 0) co_return first;
    if (entry->number == kPowerOn) ++generation_;  // its settings are gone
    if (is_event(entry->number)) {
      tell(Traffic::Kind::note, "event " + std::to_string(entry->number));
    } else if (!first) {
      first = *std::move(entry);
    }
  }
  Error error;
  if (first) error = device_error(*first);
  error.kind = ErrorKind::device;
  error.message += error.message.empty() ? "" : "; ";
  error.message +=
      "the error queue is not empty after " + std::to_string(options_.most_errors) + " reads";
  co_return fail(tagged(std::move(error), options_.error_query));
}

Awaitable<Result<void>> Session::do_check() {
  if (unreported_) {
    Error error = *std::exchange(unreported_, std::nullopt);
    co_return fail(std::move(error));
  }
  if (!options_.has_error_queue) {
    unchecked_.clear();
    co_return Result<void>{};
  }
  const Result<void> set = co_await ready();
  if (!set) co_return fail(tagged(set.error(), options_.error_query));
  if (unreported_) {  // found while getting ready
    Error error = *std::exchange(unreported_, std::nullopt);
    co_return fail(std::move(error));
  }
  const Result<std::optional<QueueEntry>> first = co_await drain();
  if (!first) co_return fail(first.error());
  if (*first) {
    Error error = device_error(**first);
    unchecked_.clear();
    co_return fail(std::move(error));
  }
  unchecked_.clear();
  co_return Result<void>{};
}

Awaitable<Result<void>> Session::do_wait(Duration timeout) {
  if (!options_.has_complete_query) co_return Result<void>{};
  const std::string text = "*OPC?";
  const Result<std::string> answer = co_await do_query(text, timeout);
  if (!answer) co_return fail(answer.error());
  const Result<long long> number = read_integer(*answer);
  if (!number || *number != 1) {
    Error error;
    error.kind = ErrorKind::bad_data;
    error.message = "expected 1, found '" + shown(*answer) + "'";
    co_return lost(std::move(error), text);
  }
  co_return Result<void>{};
}

// ---- connection ----

Awaitable<Result<void>> Session::identify() {
  const std::string text = "*IDN?";
  if (clock_.now() < earliest_) co_await sleep_until(clock_, earliest_);
  const Result<std::string> answer = co_await exchange(text, options_.timeout);
  if (!answer) co_return fail(answer.error());
  Identity found = parse_identity(*answer);
  if (found.text.empty()) {
    Error error;
    error.kind = ErrorKind::bad_data;
    error.message = "the instrument gives an empty identity";
    co_return lost(std::move(error), text);
  }
  const bool same = found.maker == identity_.maker && found.model == identity_.model &&
                    found.serial == identity_.serial;
  if (!identity_.text.empty() && !same) {
    Error error;
    error.kind = ErrorKind::bad_data;
    error.message = "another instrument answers: expected '" + shown(identity_.text) +
                    "', found '" + shown(found.text) + "'";
    co_return lost(std::move(error), text);
  }
  identity_ = std::move(found);
  co_return Result<void>{};
}

Awaitable<Result<void>> Session::do_open() {
  reader_.discard();
  identity_ = Identity{};
  unchecked_.clear();
  unreported_.reset();
  closed_ = false;
  in_step_ = true;
  earliest_ = TimePoint{};
  Result<void> connected = co_await link_->connect(clock_.now() + options_.timeout);
  if (!connected) co_return lost(std::move(connected).error(), "");
  ++generation_;
  const Result<std::optional<QueueEntry>> old = co_await drain();
  if (!old) co_return fail(old.error());
  if (*old) {
    tell(Traffic::Kind::note, "error from before: " + device_error(**old).message);
  }
  co_return co_await identify();
}

Awaitable<Result<void>> Session::do_resynchronise() {
  if (closed_) co_return co_await ready();  // says so
  in_step_ = false;
  reader_.discard();
  tell(Traffic::Kind::note, "getting back in step");
  bool cleared = false;
  if (link_->is_open()) {
    const Result<void> done = co_await link_->clear(clock_.now() + options_.timeout);
    cleared = done.has_value();
  }
  if (!cleared) {
    Result<void> connected = co_await link_->connect(clock_.now() + options_.timeout);
    if (!connected) co_return lost(std::move(connected).error(), "");
    ++generation_;
  }
  CO_TRY(co_await identify());
  const Result<std::optional<QueueEntry>> old = co_await drain();
  if (!old) {
    in_step_ = false;
    co_return fail(old.error());
  }
  if (*old) {
    const Error error = device_error(**old);
    tell(Traffic::Kind::note, "error while out of step: " + error.message);
    if (!unchecked_.empty()) unreported_ = error;
  }
  unchecked_.clear();
  in_step_ = true;
  co_return Result<void>{};
}

// ---- public operations ----

Awaitable<Result<void>> Session::open() {
  if (busy_) co_return fail(busy_error(instrument_));
  const Busy busy(busy_);
  co_return co_await do_open();
}

Awaitable<Result<void>> Session::prepare() {
  if (busy_) co_return fail(busy_error(instrument_));
  const Busy busy(busy_);
  const Result<void> set = co_await ready();
  if (!set) co_return fail(tagged(set.error(), ""));
  co_return Result<void>{};
}

Awaitable<Result<void>> Session::resynchronise() {
  if (busy_) co_return fail(busy_error(instrument_));
  const Busy busy(busy_);
  co_return co_await do_resynchronise();
}

Awaitable<Result<void>> Session::command(std::string text) {
  std::vector<std::string> texts(1, std::move(text));
  co_return co_await commands(std::move(texts));
}

Awaitable<Result<void>> Session::commands(std::vector<std::string> texts) {
  if (busy_) co_return fail(busy_error(instrument_));
  const Busy busy(busy_);
  co_return co_await do_commands(std::move(texts));
}

Awaitable<Result<std::string>> Session::query(std::string text) {
  co_return co_await query(std::move(text), options_.timeout);
}

Awaitable<Result<std::string>> Session::query(std::string text, Duration timeout) {
  if (busy_) co_return fail(busy_error(instrument_));
  const Busy busy(busy_);
  co_return co_await do_query(std::move(text), timeout);
}

Awaitable<Result<std::vector<std::string>>> Session::queries(std::vector<std::string> texts) {
  if (busy_) co_return fail(busy_error(instrument_));
  const Busy busy(busy_);
  std::vector<std::string> answers;
  const std::vector<std::string> messages = chained(texts);
  for (const std::string& message : messages) {
    const Result<std::string> line = co_await do_query(message, options_.timeout);
    if (!line) co_return fail(line.error());
    if (messages.size() == texts.size()) {
      answers.push_back(*line);
      continue;
    }
    std::vector<std::string> parts = split(*line, ';');
    std::move(parts.begin(), parts.end(), std::back_inserter(answers));
  }
  if (answers.size() != texts.size()) {
    Error error;
    error.kind = ErrorKind::bad_data;
    error.message = "expected " + std::to_string(texts.size()) + " answers, found " +
                    std::to_string(answers.size());
    std::string all;
    for (const std::string& each : messages) all += (all.empty() ? "" : ";") + each;
    co_return lost(std::move(error), all);
  }
  co_return answers;
}

Awaitable<Result<Number>> Session::query_number(std::string text) {
  const Result<std::string> line = co_await query(text);
  if (!line) co_return fail(line.error());
  Result<Number> number = read_number(*line);
  if (!number) co_return lost(std::move(number).error(), text);
  co_return number;
}

Awaitable<Result<double>> Session::query_value(std::string text) {
  const Result<std::string> line = co_await query(text);
  if (!line) co_return fail(line.error());
  const Result<Number> number = read_number(*line);
  if (!number) co_return lost(number.error(), text);
  Result<double> value = read_value(*line);
  if (!value) co_return fail(tagged(std::move(value).error(), text));
  co_return value;
}

Awaitable<Result<bool>> Session::query_boolean(std::string text) {
  const Result<std::string> line = co_await query(text);
  if (!line) co_return fail(line.error());
  Result<bool> value = read_boolean(*line);
  if (!value) co_return lost(std::move(value).error(), text);
  co_return value;
}

Awaitable<Result<std::string>> Session::query_block(std::string text, std::size_t most_bytes,
                                                    std::optional<Duration> timeout) {
  if (busy_) co_return fail(busy_error(instrument_));
  const Busy busy(busy_);
  const Result<void> set = co_await ready();
  if (!set) co_return fail(tagged(set.error(), text));
  const Duration by_size = options_.timeout + kTimePerByte * static_cast<Duration::rep>(most_bytes);
  const TimePoint deadline = clock_.now() + timeout.value_or(by_size);
  CO_TRY(co_await send(text, deadline));
  Result<std::string> data = co_await reader_.block(most_bytes, deadline);
  earliest_ = clock_.now() + options_.gap;
  if (!data) co_return lost(std::move(data).error(), text);
  tell(Traffic::Kind::received, *data);
  co_return data;
}

Awaitable<Result<void>> Session::check() {
  if (busy_) co_return fail(busy_error(instrument_));
  const Busy busy(busy_);
  co_return co_await do_check();
}

Awaitable<Result<void>> Session::wait_complete() {
  co_return co_await wait_complete(options_.long_timeout);
}

Awaitable<Result<void>> Session::wait_complete(Duration timeout) {
  if (busy_) co_return fail(busy_error(instrument_));
  const Busy busy(busy_);
  co_return co_await do_wait(timeout);
}

Awaitable<Result<void>> Session::apply(std::vector<std::string> texts, bool complete) {
  if (busy_) co_return fail(busy_error(instrument_));
  const Busy busy(busy_);
  CO_TRY(co_await do_commands(std::move(texts)));
  if (complete) CO_TRY(co_await do_wait(options_.long_timeout));
  co_return co_await do_check();
}

}  // namespace nightbench::scpi
