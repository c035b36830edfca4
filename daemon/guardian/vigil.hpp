// The guardian's watch: reads what the program says and tells how it ended. No instrument is
// touched here.
#pragma once

#include <boost/asio/local/stream_protocol.hpp>
#include <cstdint>
#include <string>

#include "drivers/base/clock.hpp"

namespace nightbench::guardian {

enum class VigilEnd : std::uint8_t {
  goodbye,  // the program has switched off and needs us no more
  left,     // the connection ended without a goodbye: it died, or forgot
  silent,   // no sign of life for the watchdog's span while armed
};

class Vigil {
 public:
  // Both must outlive it.
  Vigil(Clock& clock, boost::asio::local::stream_protocol::socket& socket)
      : clock_(clock), socket_(socket) {}

  // The next line, without its end, before the deadline. Errors: refused (the other side closed, or
  // sent no lines), timeout.
  Awaitable<Result<std::string>> line(TimePoint deadline);
  // A line back. A program that is gone shows at the next line().
  void say(const std::string& word);
  // Watches until the end, whichever it is.
  Awaitable<VigilEnd> watch(Duration watchdog);

 private:
  Clock& clock_;
  boost::asio::local::stream_protocol::socket& socket_;
  std::string bytes_;
};

}  // namespace nightbench::guardian
