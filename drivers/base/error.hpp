// One error type for every layer, carried by Result<T>.
//
// The kind says what the caller can do about it; the fields say where it happened. A layer that
// passes an error up fills in the fields it knows (instrument, command, file, pointer) and leaves
// the rest alone. Errors are values; exceptions are for our own bugs.
#pragma once

#include <cstddef>
#include <cstdint>
#include <expected>
#include <string>
#include <string_view>
#include <utility>

namespace nightbench {

enum class ErrorKind : std::uint8_t {
  timeout,      // nothing came before the deadline: retry, or look at the cable
  refused,      // nobody there, or the other side closed: reconnect
  device,       // the instrument answered that it will not: `number` holds its SCPI error number
  bad_data,     // something came that cannot be what was asked for: resynchronise
  bad_input,    // a file, script or argument is wrong: the person must change it (exit code 2)
  storage,      // the disk or the database failed: `number` holds errno or the SQLite code
  unsafe,       // a limit that protects board or people was met: outputs must go off
  cancelled,    // we were asked to stop
  internal,     // a bug of ours
};

// The stable word for a kind, used in logs and JSON: "timeout", "bad-data" ...
const char* name(ErrorKind kind);

struct Error {
  ErrorKind kind = ErrorKind::internal;
  std::string message;     // what went wrong, one sentence without a final stop
  std::string instrument;  // its name in the bench file
  std::string command;     // the SCPI text that was under way
  std::string file;        // the file that was read or written
  std::string pointer;     // JSON pointer (RFC 6901) inside the file
  int number = 0;          // errno, SCPI error number or SQLite code; 0 when there is none
};

// Foreign text made fit for a message: at most `most` bytes of it, cut between UTF-8 characters and
// marked with "...", control characters as \\xNN so that they cannot steer a terminal.
std::string excerpt(std::string_view text, std::size_t most = 60);

// One line for people: "scope: ':WAV:DATA?': block claims 4000000000 bytes, at most 8388608 expected".
std::string describe(const Error& error);

template <typename T>
using Result = std::expected<T, Error>;

// Short makers, so that a failure reads as one statement: return fail(ErrorKind::bad_data, "...").
inline std::unexpected<Error> fail(Error error) {
  return std::unexpected<Error>(std::move(error));
}
inline std::unexpected<Error> fail(ErrorKind kind, std::string message) {
  Error error;
  error.kind = kind;
  error.message = std::move(message);
  return std::unexpected<Error>(std::move(error));
}

}  // namespace nightbench

// `TRY_ASSIGN(auto value, expression)` and `TRY(expression)` return the error to our own caller;
// the CO_ forms do so inside a coroutine. The only macros of the project.
#define NB_CONCAT_(a, b) a##b
#define NB_CONCAT(a, b) NB_CONCAT_(a, b)
#define NB_TRY_ASSIGN_(temporary, target, expression, give_back)                  \
  auto temporary = (expression);                                                  \
  if (!temporary) give_back std::unexpected(std::move(temporary).error());        \
  target = *std::move(temporary)
#define NB_TRY_(temporary, expression, give_back) \
  if (auto temporary = (expression); !temporary)  \
  give_back std::unexpected(std::move(temporary).error())
#define TRY_ASSIGN(target, expression) \
  NB_TRY_ASSIGN_(NB_CONCAT(nb_result_, __COUNTER__), target, expression, return)
#define TRY(expression) NB_TRY_(NB_CONCAT(nb_result_, __COUNTER__), expression, return)
#define CO_TRY_ASSIGN(target, expression) \
  NB_TRY_ASSIGN_(NB_CONCAT(nb_result_, __COUNTER__), target, expression, co_return)
#define CO_TRY(expression) NB_TRY_(NB_CONCAT(nb_result_, __COUNTER__), expression, co_return)
