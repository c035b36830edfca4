// A conversation with one SCPI instrument over a Link: commands, queries, the error queue, the
// operation-complete query, identity, and getting back in step.
//
// One operation at a time, from the clock's io_context thread. Every operation is bounded in time
// and memory. Every error carries the instrument's name and the command under way.
//
// An answer is never taken for the answer to another query: after a timeout, a broken answer or
// bytes that nobody asked for, the session is out of step, and the next operation first
// resynchronises (device clear where the transport has one, else a new connection, then *IDN? must
// name the same instrument). Retrying is the caller's business; the session never sends a command
// twice. Commands that were not checked when their connection was found lost may have been swallowed
// with it: the next operation then fails with `refused`, naming them, and the one after it finds
// the new connection in step.
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/link/link.hpp"
#include "drivers/scpi/response.hpp"
#include "drivers/scpi/text.hpp"

namespace nightbench::scpi {

struct Options {
  Duration timeout = std::chrono::seconds(3);        // one answer
  Duration long_timeout = std::chrono::seconds(60);  // *OPC?, unless the caller says otherwise
  Duration gap{};         // least time between the end of one exchange and the next message
  int most_errors = 100;  // reads of the error queue before it is taken for broken
  std::size_t most_line = std::size_t{1} << 20;  // bytes of one line
  bool may_chain = true;           // several commands in one message, separated by ';'
  std::size_t most_message = 200;  // bytes of one chained message
  bool leading_colon = true;       // false: the first ':' of a header is not sent
  bool has_error_queue = true;     // false: check() always succeeds
  bool has_complete_query = true;  // false: wait_complete() returns at once
  std::string error_query = ":SYST:ERR?";
  std::string terminator = "\n";  // what ends a message on links that mark no ends
};

// *IDN? (IEEE 488.2, 10.14), split at most three times from the left, blanks dropped. Missing
// fields are empty.
struct Identity {
  std::string maker, model, serial, firmware;
  std::string text;  // as it came
};
Identity parse_identity(std::string_view text);

// What passes between program and instrument, for logs and recordings.
struct Traffic {
  enum class Kind : std::uint8_t { sent, received, note };
  Kind kind;
  std::string_view bytes;  // valid during the call only
  TimePoint time;
};
using Observer = std::function<void(const Traffic&)>;

// One entry of the error queue. `number` 0 means that it is empty.
struct QueueEntry {
  int number = 0;
  std::string text;
};
// Reads `+0,"No error"`, `-113,"Undefined header;:FOO"`, `-113`, `0,No error`. Errors: bad_data.
Result<QueueEntry> parse_queue_entry(std::string_view text);

class Session {
 public:
  Session(std::unique_ptr<link::Link> link, Clock& clock, std::string instrument,
          Options options = {});
  ~Session();

  // Connects, empties the error queue (bounded), asks *IDN?. Errors from before are noted, no more.
  // May be called again after close().
  Awaitable<Result<void>> open();

  // Sends one command. Whether the instrument liked it shows at check().
  Awaitable<Result<void>> command(std::string text);
  // Sends several, chained into few messages where the instrument allows it.
  Awaitable<Result<void>> commands(std::vector<std::string> texts);

  // One answer without its terminator.
  Awaitable<Result<std::string>> query(std::string text);
  Awaitable<Result<std::string>> query(std::string text, Duration timeout);
  // Several queries, chained where allowed; one answer for each.
  Awaitable<Result<std::vector<std::string>>> queries(std::vector<std::string> texts);
  Awaitable<Result<Number>> query_number(std::string text);
  Awaitable<Result<double>> query_value(std::string text);  // a usable number or bad_data
  Awaitable<Result<bool>> query_boolean(std::string text);
  // An answer that is one block of at most `most_bytes`. Without `timeout`: the session's, and 10
  // us for each byte (a slow USB or serial-to-LAN bridge).
  Awaitable<Result<std::string>> query_block(std::string text, std::size_t most_bytes,
                                             std::optional<Duration> timeout = {});

  // Empties the error queue; its first entry becomes an ErrorKind::device error that carries the
  // SCPI number, the standard text and the last command. Events (-600 to -899) are noted, no more.
  Awaitable<Result<void>> check();
  // Waits for all pending operations (*OPC?).
  Awaitable<Result<void>> wait_complete();
  Awaitable<Result<void>> wait_complete(Duration timeout);
  // commands(), then wait_complete() when `complete`, then check().
  Awaitable<Result<void>> apply(std::vector<std::string> texts, bool complete);

  // Makes sure that the session is in step and quiet; sends nothing when it is. After this,
  // generation() tells whether the instrument must be set up anew.
  Awaitable<Result<void>> prepare();
  // Gets back in step. Errors: as open(), and bad_data when another instrument answers.
  Awaitable<Result<void>> resynchronise();
  bool in_step() const { return in_step_; }
  // For callers that found an answer to make no sense: the next operation resynchronises first.
  void distrust() { in_step_ = false; }

  // Counts connections made. When it has changed, the instrument may have lost its settings.
  int generation() const { return generation_; }
  const Identity& identity() const { return identity_; }
  const std::string& instrument() const { return instrument_; }
  const std::string& resource() const { return link_->resource(); }
  const Options& options() const { return options_; }
  Clock& clock() { return clock_; }

  void observe(Observer observer) { observer_ = std::move(observer); }
  // Closes at once; a pending operation ends with `cancelled`.
  void close();
  // Neither opened yet, or closed by close(); open() is due.
  bool is_closed() const { return closed_; }
  bool is_busy() const { return busy_; }

 private:
  // The public operations without the guard against a second one at the same time.
  Awaitable<Result<void>> do_open();
  Awaitable<Result<void>> do_commands(std::vector<std::string> texts);
  Awaitable<Result<std::string>> do_query(std::string text, Duration timeout);
  Awaitable<Result<void>> do_wait(Duration timeout);
  Awaitable<Result<void>> do_check();
  Awaitable<Result<void>> do_resynchronise();

  // In step, quiet, and the gap has passed. Refused, yet in step, when commands may be lost.
  Awaitable<Result<void>> ready();
  Awaitable<Result<void>> send(const std::string& text, TimePoint deadline);
  Awaitable<Result<std::string>> exchange(const std::string& text, Duration timeout);
  Awaitable<Result<std::optional<QueueEntry>>> drain();
  Awaitable<Result<void>> identify();
  std::vector<std::string> chained(const std::vector<std::string>& texts) const;
  std::string on_the_wire(const std::string& text) const;
  void remember(const std::string& command);
  Error device_error(const QueueEntry& entry) const;
  // The session is out of step from here on.
  std::unexpected<Error> lost(Error error, const std::string& command);
  Error tagged(Error error, const std::string& command) const;
  void tell(Traffic::Kind kind, std::string_view bytes);

  std::unique_ptr<link::Link> link_;
  Clock& clock_;
  std::string instrument_;
  Options options_;
  ResponseReader reader_;
  Observer observer_;
  Identity identity_;
  std::string unchecked_;            // commands sent since the queue was last read, for messages
  std::optional<Error> unreported_;  // a device error met while getting back in step
  TimePoint earliest_{};             // not before this may the next message go out
  bool closed_ = true;
  bool in_step_ = true;
  bool busy_ = false;
  int generation_ = 0;
};

}  // namespace nightbench::scpi
